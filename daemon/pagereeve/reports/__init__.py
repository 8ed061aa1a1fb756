"""An answer as CSV, JSON, a table, double entry or sentences."""
