"""What programs ask over HTTP: on the same queries and reports as the commands."""
