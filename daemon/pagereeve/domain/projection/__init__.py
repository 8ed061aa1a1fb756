"""All of it in order, step by step, and the point from which it resumes."""
