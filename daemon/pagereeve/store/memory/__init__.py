"""The same promises without a database."""
