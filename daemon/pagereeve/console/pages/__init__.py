"""The console: pages for people, rendered here; a module for each, its template beside it, no build step."""
