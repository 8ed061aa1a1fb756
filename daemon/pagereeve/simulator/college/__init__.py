"""A fictional college, its people and its day."""
