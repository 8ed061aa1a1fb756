"""The questions that people ask, answered as plain values from ports.reads."""
