"""The seal over the journal: bytes in, digests out (domain/seal/README.md)."""
