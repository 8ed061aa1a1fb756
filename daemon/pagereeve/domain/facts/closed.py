"""A period was closed, and later perhaps its facts were archived: facts of the site."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PeriodClosed:
    """The instants [from_us, to_us) of a period are closed: their rows were frozen, and never change.

    ``zone`` and ``database`` (the version of the time zone database) say how its ends were found; ``reason`` why it was
    closed although something stood in the way, empty where nothing did. ``size`` facts of the journal ``journal`` were
    sealed then, with the head ``head``: what is not under it came later. ``version`` is that of the projection.
    ``rows`` were frozen; ``sha256`` is theirs. Concerns no printer.
    """

    at_us: int
    name: str
    zone: str
    database: str
    from_us: int
    to_us: int
    by: str
    reason: str
    journal: str
    size: int
    head: str
    version: int
    rows: int
    sha256: str
    printer: str = ""


@dataclass(frozen=True, slots=True)
class FactsArchived:
    """So many facts of the instants [from_us, to_us) of a closed ``period`` are in ``file`` and are removed from the
    journal; ``by`` decided it. ``sha256`` is the file's. What is sealed of them stays. Concerns no printer.
    """

    at_us: int
    period: str
    from_us: int
    to_us: int
    by: str
    file: str
    size_bytes: int
    sha256: str
    facts: int
    printer: str = ""


ClosingFact = PeriodClosed | FactsArchived
