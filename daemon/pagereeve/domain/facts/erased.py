"""A person was taken out of the journal: a fact of the site."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Erased:
    """What named a person was erased from so many facts; ``name`` stands in its place. Concerns no printer.

    ``digest`` says which members of which facts (domain/seal/erasure.py), ``by`` who did it; nothing says who it was.
    """

    at_us: int
    name: str
    by: str
    facts: int
    digest: str
    printer: str = ""
