"""A loop for each printer: when its meter is read, and how its rows follow."""
