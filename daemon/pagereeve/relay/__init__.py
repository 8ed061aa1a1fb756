"""The way of badge lines to the release server, in a process of its own: what befalls the daemon does not touch it."""
