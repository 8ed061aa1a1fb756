"""The loops and decisions, over ports."""
