"""Decisions over HTTP: taken in by the daemon, tried against its journal, and submitted to its intake."""
