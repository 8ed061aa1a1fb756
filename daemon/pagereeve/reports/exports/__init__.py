"""Exports of a period's pages as files: which columns they have, and each format."""
