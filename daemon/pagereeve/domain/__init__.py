"""What things are and what follows from them. Pure: standard library, no I/O, no clock, no chance."""
