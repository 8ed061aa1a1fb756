"""Owners whom the lists write in more than one way: they count as one person."""

from __future__ import annotations

from collections.abc import Iterable

from pagereeve.domain.facts.owners import owner_key
from pagereeve.settings.text_file import PROBLEMS_MAX


def spelling_notes(owners: Iterable[str]) -> list[str]:
    """One text for each person, the first spelling first, PROBLEMS_MAX at most."""
    written: dict[str, dict[str, None]] = {}
    for owner in owners:
        written.setdefault(owner_key(owner), {})[owner] = None
    found = [tuple(names) for names in written.values() if len(names) > 1]
    notes = [
        f"{first!r} is also written {', '.join(map(repr, others))}: they are one person's. If two people are meant, "
        "give one of them another login"
        for first, *others in found[:PROBLEMS_MAX]
    ]
    return [*notes, f"and {len(found) - PROBLEMS_MAX} more"] if len(found) > PROBLEMS_MAX else notes
