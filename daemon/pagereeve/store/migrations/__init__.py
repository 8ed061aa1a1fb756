"""The steps from each revision of the tables to the next."""
