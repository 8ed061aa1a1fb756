"""``pagereeve demo``: a fictional college's working day in about a minute, over real sockets on loopback."""
