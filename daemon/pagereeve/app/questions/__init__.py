"""The query process: a child of the daemon that answers questions, so that none holds up a reading or a notice."""
