"""Lists that people keep as CSV: people and badges."""
