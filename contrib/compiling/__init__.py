"""Compiles the modules that cost most into extensions of Python (contrib/compile), for a checkout and for packages."""
