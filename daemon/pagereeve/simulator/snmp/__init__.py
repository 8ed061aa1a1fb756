"""The simulated printers' agents."""
