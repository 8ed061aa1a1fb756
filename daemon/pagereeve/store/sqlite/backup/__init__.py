"""A copy of the journal that proves itself, and its way back."""
