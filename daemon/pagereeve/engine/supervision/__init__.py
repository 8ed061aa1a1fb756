"""Tasks that must go on: restarted, watched, reported; the write-ahead file; memory."""
