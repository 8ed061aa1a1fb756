"""Which of several workers watches which printer, and who does what only one should do."""
