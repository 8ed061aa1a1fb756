"""What the process says of itself: metrics, logs, health pages, service manager."""
