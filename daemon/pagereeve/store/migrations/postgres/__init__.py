"""The revisions of a PostgreSQL database."""
