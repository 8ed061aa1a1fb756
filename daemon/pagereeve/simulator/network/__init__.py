"""What the simulated parts listen on."""
