"""Pagereeve accounts for every page that a badge-released printer counts."""
