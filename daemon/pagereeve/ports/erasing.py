"""What names a person is taken out of the journal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

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


TITLES_AT_ONCE: Final = 500
"""So many start notices are looked at in one transaction: badges and releases wait for no more."""
StartPlace = tuple[int, str, int]
"""A start notice's instant, timeline and number."""


@dataclass(frozen=True, slots=True)
class TitleExpiry:
    """Titles of releases that started before ``before_us`` are to go; ``name``, with a number, stands in their place.

    ``after``: start notices up to this one were looked at; None: begin with the oldest.
    """

    name: str
    by: str
    at_us: int
    before_us: int
    after: StartPlace | None = None


@dataclass(frozen=True, slots=True)
class TitlesExpired:
    """From so many facts a title went; ``after`` is where to go on, None where all were looked at."""

    facts: int
    after: StartPlace | None


class Erasing(Protocol):
    async def expire_titles(self, expiry: TitleExpiry) -> TitlesExpired:
        """Of the next TITLES_AT_ONCE start notices, and of what was kept aside of them, in one transaction; then an
        Erased is the next fact, unless there was no title. No row of the ledger rests on a title: projectors may be at
        work. Raises JournalUnavailable, and then nothing changed.
        """
        ...

    async def erase(self, erasure: Erasure) -> ErasureOutcome:
        """Everything that names the owner or the owner's badges, in one transaction; then an Erased is the next fact.

        Rows of the ledger that rest on these facts are dropped: no projector may be at work. Where nothing names the
        owner, nothing changes. Raises JournalUnavailable.
        """
        ...
