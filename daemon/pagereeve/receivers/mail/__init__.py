"""E-mail."""
