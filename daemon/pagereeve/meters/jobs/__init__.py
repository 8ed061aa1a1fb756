"""What a printer's agent says of its print jobs (RFC 2707), over the conversation that reads its meter."""
