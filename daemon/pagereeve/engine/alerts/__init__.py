"""Which messages are written, and a worker for each receiver that delivers them."""
