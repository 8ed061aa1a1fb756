"""The stages of the proof, each a function."""
