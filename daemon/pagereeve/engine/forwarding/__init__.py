"""A site's sealed facts on their way to its centre."""
