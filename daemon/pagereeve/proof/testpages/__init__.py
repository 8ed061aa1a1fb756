"""Test jobs in five page languages."""
