"""The one loop of badges, readers and feeds."""
