"""Forms of badge numbers, and the checks of badges, readers and feeds."""
