"""What names a person is taken out of the journal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from pagereeve.domain.facts.owners import owner_key


@dataclass(frozen=True, slots=True)
class Erasure:
    """``name`` stands in the place of the owner from then on; ``by`` says who erases.

    ``logins`` are the person's others, ``persons`` the ids under which lists name the person.
    """

    owner: str
    name: str
    by: str
    at_us: int
    logins: Sequence[str] = ()
    persons: Sequence[str] = ()

    @property
    def keys(self) -> frozenset[str]:
        """What all spellings of the person's logins have in common."""
        return frozenset(owner_key(one) for one in (self.owner, *self.logins))


@dataclass(frozen=True, slots=True)
class ErasureOutcome:
    """In how many facts something was erased, and whose timelines these are ("" is the site). ``shared_badges`` were
    others' too at another time, and stay. ``closed``: the closed periods in whose rows the name stood.
    """

    facts: int
    printers: Sequence[str]
    badges: int
    shared_badges: int
    closed: Sequence[str] = ()


class Erasing(Protocol):
    async def erase(self, erasure: Erasure) -> ErasureOutcome:
        """Everything that names the owner or the owner's badges, in one transaction; then an Erased is the next fact.

        Rows of the ledger that rest on these facts are dropped: no projector may be at work. Where nothing names the
        owner, nothing changes. Raises JournalUnavailable.
        """
        ...
