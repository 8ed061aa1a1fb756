"""What somebody may do to simulated printers while they run: the acts, and where they are asked for."""
