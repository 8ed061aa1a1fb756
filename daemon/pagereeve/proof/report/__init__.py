"""The proof's result on a terminal, as a page, and as an entry for the settings."""
