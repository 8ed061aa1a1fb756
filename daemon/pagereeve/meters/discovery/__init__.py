"""Which of a printer's objects are its channels, and why."""
