"""What is changed over HTTP: decisions. Described together with the questions; answered in the daemon itself."""
