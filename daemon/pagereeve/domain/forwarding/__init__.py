"""Sealed facts on their way from a site to a centre: what a batch looks like, and what a centre joins of it."""
