"""Values and columns, and what a group of requests comes to; no database in it."""
