"""The journal in PostgreSQL 15 or newer: any number of workers append to it."""
