"""Reading printers' counters: the protocol, discovery, and the reader above both."""
