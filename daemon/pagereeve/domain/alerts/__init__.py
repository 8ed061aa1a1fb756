"""Which finding belongs to which alert, what is sent now, in which words, with which advice."""
