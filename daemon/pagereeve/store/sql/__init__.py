"""Tables, statements, the transaction; of no one database."""
