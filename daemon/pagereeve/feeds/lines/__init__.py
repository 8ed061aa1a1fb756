"""Raw badge lines over TCP, and the copy of those that pass a relay."""
