"""What shows only over many brackets: a steady bias, a diagnosis, a meter that stands still."""
