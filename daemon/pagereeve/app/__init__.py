"""Composition: the daemon put together from its parts, and what runs without one."""
