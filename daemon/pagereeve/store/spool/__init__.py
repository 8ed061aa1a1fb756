"""The spool: a file on this machine for what comes while the journal's database is away."""
