"""A closed period's rows, added up and packed by a process of its own: no reading and no notice waits for it."""
