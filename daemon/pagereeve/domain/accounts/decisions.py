"""Which decisions about pages are in force, and what each posts: balanced, over the projection's rows and beside them.

A decision takes no more than stands there. One that no longer can, because a late fact changed the rows, posts
nothing, and says why; so does one of two that were made at the same moment about the same pages.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from pagereeve.domain.facts.facts import PagesDecided
from pagereeve.domain.facts.page_decision import PageDecision
from pagereeve.domain.ledger import CONFIRMED, UNATTRIBUTED, Charge, cost_centre, house, person

Refused = Literal[
    "unknown-release", "no-gap", "not-judged", "too-many", "already-decided", "no-decision", "undone", "not-as-many"
]
REFUSED_TEXTS: Final[Mapping[Refused, str]] = {
    "unknown-release": "no release of that name and source has this channel at its printer",
    "no-gap": "no gap of that channel closed at this printer then",
    "not-judged": "the release is not judged yet; decide once its bracket is closed",
    "too-many": "more pages than stand there",
    "already-decided": "no page is left to decide on: all were decided",
    "no-decision": "no earlier decision has that id, or it is an undo; make a new decision instead",
    "undone": "that decision was undone already, or never counted",
    "not-as-many": "pages must be as many as those of the decision that it undoes",
}

Legs = tuple[tuple[str, int], ...]
PoolKey = tuple[str, str, int]
"""Printer, channel and the instant at which a stretch closed: what its house accounts received is one stock."""


@dataclass(frozen=True, slots=True)
class Concerned:
    """What the rows show of the pages that a decision is about.

    ``at_us``: the instant by which they belong to a period. ``house`` is what house accounts received of the stretch
    that closed at ``closes_us`` (None: it is open). ``charge`` is the release's, None for a gap.
    """

    at_us: int
    unit: str
    closes_us: int | None
    house: Mapping[str, int] = field(default_factory=dict)
    charge: Charge | None = None

    @property
    def is_judged(self) -> bool:
        return self.charge is None or self.charge.verdict is not None


@dataclass(frozen=True, slots=True)
class DecisionPosting:
    """``legs`` are pages, and sum to zero. ``unproven`` (0 or less) is by how much the release's claim is settled.

    ``at_us`` says to which period it belongs: that of the release's start, or in which the gap closed.
    """

    decided: PagesDecided
    unit: str
    at_us: int
    legs: Legs
    unproven: int = 0
    charge: Charge | None = None

    @property
    def printer(self) -> str:
        return self.decided.printer

    @property
    def channel(self) -> str:
        return self.decided.said.channel


@dataclass(frozen=True, slots=True)
class Ruling:
    """What became of a decision: its posting, or why it posts nothing. ``undone_by`` is the id of its undo.

    ``left`` is how many pages stood there, of one that asked for more.
    """

    decided: PagesDecided
    posting: DecisionPosting | None = None
    refused: Refused | None = None
    undone_by: str = ""
    left: int = 0

    @property
    def in_force(self) -> DecisionPosting | None:
        return None if self.undone_by else self.posting

    @property
    def problem(self) -> str:
        """Why it posts nothing; "" where it does."""
        if self.refused is None:
            return ""
        tail = f": {self.left}" if self.refused == "too-many" else ""
        return f"{REFUSED_TEXTS[self.refused]}{tail}"


Look = Callable[[PagesDecided], Concerned | None]


def rulings(decided: Iterable[PagesDecided], look: Look) -> list[Ruling]:
    """In order of when each was received, ties by identity, whatever order they come in: what a sender claims of its
    time takes nothing from an earlier one. What is there twice counts once.
    """
    known = {one.origin.key: one for one in decided}
    made = Rulings()
    for one in sorted(known.values(), key=lambda one: (one.origin.received_us, *one.origin.key)):
        made.add(one, look(one))
    return made.all()


def in_force(ruled: Iterable[Ruling]) -> list[DecisionPosting]:
    return [posting for one in ruled if (posting := one.in_force) is not None]


@dataclass(slots=True)
class Rulings:
    """Decisions one after the other, in their order.

    ``taken``: by stock and account, pages that decisions in force took; ``settled``: of claims.
    """

    rulings: dict[str, Ruling] = field(default_factory=dict)
    taken: dict[tuple[PoolKey, str], int] = field(default_factory=dict)
    settled: dict[tuple[str, str, str, str, int], int] = field(default_factory=dict)

    def all(self) -> list[Ruling]:
        return list(self.rulings.values())

    def add(self, decided: PagesDecided, shown: Concerned | None) -> Ruling:
        """``shown``: the pages that it is about; None where they are not there, and of an undo."""
        ruling = self._undone(decided) if decided.said.act == "undo" else self._decided(decided, shown)
        self.rulings[decided.origin.id] = ruling
        return ruling

    def left(self, decided: PagesDecided, shown: Concerned) -> int:
        """How many pages stand where a decision would take them."""
        if _is_of_a_claim(decided.said):
            return self._claimed(shown)
        return self._standing(decided, shown, house(decided.said.taken_from))

    def _undone(self, undo: PagesDecided) -> Ruling:
        other = self.rulings.get(undo.said.undoes)
        if other is None or other.decided.said.act == "undo":
            return Ruling(undo, refused="no-decision")
        if other.in_force is None:
            return Ruling(undo, refused="undone")
        if other.decided.said.pages != undo.said.pages:
            return Ruling(undo, refused="not-as-many")
        self._count(other.in_force, -1)
        self.rulings[undo.said.undoes] = Ruling(other.decided, other.posting, undone_by=undo.origin.id)
        return Ruling(undo)

    def _decided(self, decided: PagesDecided, shown: Concerned | None) -> Ruling:
        said = decided.said
        if shown is None:
            return Ruling(decided, refused="unknown-release" if said.of_release else "no-gap")
        if not shown.is_judged:
            return Ruling(decided, refused="not-judged")
        unproven = _is_of_a_claim(said)
        left = self.left(decided, shown)
        if said.pages > left:
            gone = left == 0 and self._was_there(shown, said, unproven=unproven)
            return Ruling(decided, refused="already-decided" if gone else "too-many", left=left)
        legs = self._legs(decided, shown)
        posting = DecisionPosting(decided, shown.unit, shown.at_us, legs, -said.pages if unproven else 0, shown.charge)
        self._count(posting, 1)
        return Ruling(decided, posting)

    def _legs(self, decided: PagesDecided, shown: Concerned) -> Legs:
        said = decided.said
        if said.act == "waive":
            return ()
        if said.act == "move" and said.taken_from != "unproven":
            given = {house(said.taken_from): -said.pages}
        else:
            # What was counted and is nobody's comes first; the rest no count supports.
            counted = min(said.pages, self._standing(decided, shown, UNATTRIBUTED))
            given = {UNATTRIBUTED: -counted, CONFIRMED: counted - said.pages}
        receiver = _receiver(said, shown.charge)
        return tuple((account, pages) for account, pages in sorted({**given, receiver: said.pages}.items()) if pages)

    def _standing(self, decided: PagesDecided, shown: Concerned, account: str) -> int:
        if shown.closes_us is None:
            return 0
        place = (decided.printer, decided.said.channel, shown.closes_us)
        return max(0, shown.house.get(account, 0) - self.taken.get((place, account), 0))

    def _claimed(self, shown: Concerned) -> int:
        if shown.charge is None:
            return 0
        return max(0, shown.charge.unproven - self.settled.get(_claim(shown.charge), 0))

    def _was_there(self, shown: Concerned, said: PageDecision, *, unproven: bool) -> bool:
        if unproven:
            return shown.charge is not None and shown.charge.unproven > 0
        return shown.house.get(house(said.taken_from), 0) > 0

    def _count(self, posting: DecisionPosting, sign: int) -> None:
        """What it takes from claims and from house accounts; what it gives to one is not there to be taken again."""
        if posting.charge is not None:
            claim = _claim(posting.charge)
            self.settled[claim] = self.settled.get(claim, 0) - sign * posting.unproven
        closes_us = _closes_us(posting)
        for account, pages in posting.legs:
            if pages < 0 and closes_us is not None:
                key = ((posting.printer, posting.channel, closes_us), account)
                self.taken[key] = self.taken.get(key, 0) - sign * pages


def _is_of_a_claim(said: PageDecision) -> bool:
    return said.act != "move" or said.taken_from == "unproven"


def _receiver(said: PageDecision, charge: Charge | None) -> str:
    if said.act == "confirm":
        return person("" if charge is None else charge.owner)
    if said.to == "person":
        return person(said.to_name)
    return house(said.to_name) if said.to == "house" else cost_centre(said.to_name)


def _claim(charge: Charge) -> tuple[str, str, str, str, int]:
    return (charge.printer, charge.release.source, charge.release.release, charge.channel, charge.started_us)


def _closes_us(posting: DecisionPosting) -> int | None:
    return posting.decided.said.closes_us if posting.charge is None else posting.charge.closed_us
