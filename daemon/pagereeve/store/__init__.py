"""The only place with SQL: facts, the ledger's rows, alerts and what waits for receivers."""
