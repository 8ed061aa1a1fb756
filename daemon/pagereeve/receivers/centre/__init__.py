"""Sealed facts to the centre that a site forwards to."""
