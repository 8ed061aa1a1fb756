"""A statement as a page to print, as JSON and on a terminal."""
