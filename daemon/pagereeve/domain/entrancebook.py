"""The entrance's findings, kept up to date event by event: sheaves under printer "", as a printer's book makes its."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from pagereeve.domain import findings as find
from pagereeve.domain.book import HOLD_BACK_US, Update, apply_update
from pagereeve.domain.entrance import Entrance, EntranceEvent, Step, steps_of
from pagereeve.domain.entrancestate import EntranceState
from pagereeve.domain.facts import BadgePresented, BadgeUnreadable, Fact, ReleaseStarted
from pagereeve.domain.fields import Fields
from pagereeve.domain.houserules import HouseRules
from pagereeve.domain.instants import from_text, to_text
from pagereeve.domain.ledger import Finding, Sheaf

HOUSE: Final = ""
"""The printer name under which facts and findings stand that concern no one printer."""
COPY_SOURCE: Final = "urn:pagereeve:copy"
"""Copies of a badge for the other printers behind its gateway bear this source: the badge itself is one event."""

ENTRANCE_VERSION: Final = 1
# Events after which a seed is stored: often enough for a quick start, seldom enough for a small database.
SEAL_EVERY: Final = 1_000

NOTHING_TAKEN: Final = (-1, False, "", "")

_EVENTS: Final = (BadgePresented, BadgeUnreadable, ReleaseStarted)


@dataclass(frozen=True, slots=True)
class EntranceSeed:
    """What was remembered after all events up to ``at_us``."""

    at_us: int
    state: dict[str, Any]

    def to_json(self) -> dict[str, object]:
        return {"version": ENTRANCE_VERSION, "at": to_text(self.at_us), "entrance": self.state}

    @classmethod
    def from_json(cls, members: Any) -> EntranceSeed:
        """Raises BadFact, also for a seed that another version left."""
        fields = Fields(members, "seed")
        fields.integer("version", ENTRANCE_VERSION, ENTRANCE_VERSION)
        seed = cls(from_text(fields.text("at"), "seed.at"), fields.members("entrance"))
        fields.finish()
        EntranceState.from_json(Fields(seed.state, "seed.entrance"))
        return seed


def entrance_event(fact: Fact) -> EntranceEvent | None:
    """The fact, if it is an event of the entrance and no copy of one."""
    if isinstance(fact, _EVENTS) and fact.origin.source != COPY_SOURCE:
        return fact
    return None


@dataclass(slots=True)
class EntranceBook:
    """Events since ``seed``, each once, and shortly before it. Facts in order cost a step; one out of order, a fold."""

    rules: HouseRules
    seed: EntranceSeed | None = None
    hold_back_us: int = HOLD_BACK_US
    seal_every: int = SEAL_EVERY
    _events: dict[tuple[str, str], EntranceEvent] = field(default_factory=dict)
    _fold: Entrance | None = None
    _last: tuple[int, bool, str, str] = NOTHING_TAKEN
    _told: tuple[Sheaf, ...] | None = None

    def is_late(self, event: EntranceEvent) -> bool:
        """It concerns what lies behind the seed: the caller must begin again from an earlier one."""
        return self.seed is not None and event.origin.at_us <= self.seed.at_us

    def needed_from_us(self) -> int | None:
        """The earliest instant of an event that may still matter; None for all.

        What arrives after the seed may have happened a reach before it, and be compared with what is a reach older.
        """
        return None if self.seed is None else self.seed.at_us - 2 * self.rules.reach_us()

    def add(self, event: EntranceEvent) -> None:
        """Take an event; one before the seed only refreshes the memory of what came shortly before."""
        key = (event.origin.source, event.origin.id)
        if key in self._events:
            return
        self._events[key] = event
        happened, arrived = steps_of(event)
        if self._fold is not None and happened.order > self._last:
            self._fold.take(happened)
            self._fold.take(arrived)
            self._last = arrived.order
        else:
            self._fold = None

    def renew(self) -> None:
        """The rules have changed: what was folded by the old ones is folded anew."""
        self._fold = None

    def settle(self) -> Update | None:
        """What to store; None if nothing changed. Seals what is old enough, once there is enough of it."""
        anchor_us = self.anchor_us
        sealed = self._seal() if len(self._events) >= self.seal_every else None
        rest = self._sheaf(self.anchor_us, self._folded(), None)
        sheaves = tuple(one for one in (sealed, rest) if one is not None and (one.findings or one.seed is not None))
        if sealed is None and sheaves == self._told:
            return None
        self._told = sheaves[1:] if sealed is not None else sheaves
        return Update(anchor_us, sheaves)

    @property
    def anchor_us(self) -> int:
        """Where the next stored sheaf begins."""
        return 0 if self.seed is None else self.seed.at_us

    def _folded(self) -> Entrance:
        if self._fold is None:
            self._fold = self._fold_to(None)
            self._last = max((step.order for step in self._steps()), default=NOTHING_TAKEN)
        return self._fold

    def _steps(self) -> Iterator[Step]:
        return (step for event in self._events.values() for step in steps_of(event))

    def _fold_to(self, until_us: int | None) -> Entrance:
        """All steps up to an instant, from the seed."""
        if self.seed is None:
            fold = Entrance(self.rules)
        else:
            state = EntranceState.from_json(Fields(self.seed.state, "seed.entrance"))
            fold = Entrance(self.rules, state, self.seed.at_us)
        for step in sorted(self._steps(), key=lambda one: one.order):
            if until_us is None or step.at_us <= until_us:
                fold.take(step)
        return fold

    def _seal(self) -> Sheaf | None:
        reach_us = self.rules.reach_us()
        limit_us = self._limit_us(reach_us)
        if limit_us <= self.anchor_us:
            return None
        fold = self._fold_to(limit_us)
        seed = EntranceSeed(limit_us, fold.state.to_json())
        sheaf = self._sheaf(self.anchor_us, fold, seed)
        self.seed, self._fold = seed, None
        self._events = {
            key: event for key, event in self._events.items() if event.origin.at_us >= limit_us - 2 * reach_us
        }
        return sheaf

    def _limit_us(self, reach_us: int) -> int:
        """Where a seed may lie: what happened too long before it to be read again must have arrived before it, too."""
        limit_us = max(event.origin.at_us for event in self._events.values()) - self.hold_back_us
        latest_first = sorted(map(steps_of, self._events.values()), key=lambda pair: -pair[0].at_us)
        moved = True
        while moved:
            moved = False
            for happened, arrived in latest_first:
                if happened.at_us <= limit_us - reach_us and arrived.at_us > limit_us:
                    limit_us, moved = happened.at_us + reach_us - 1, True
        return limit_us

    def _sheaf(self, anchor_us: int, fold: Entrance, seed: EntranceSeed | None) -> Sheaf:
        """With a seed, what is over by then; else that and what still holds."""
        found: list[Finding] = [finding for _, finding in fold.findings]
        if seed is None:
            found += fold.open_findings()
        kept = tuple(find.decided(finding, self.rules.decisions) for finding in found)
        return Sheaf(HOUSE, anchor_us, None if seed is None else seed.to_json(), findings=kept)


def entrance_findings(rules: HouseRules, events: Iterable[EntranceEvent]) -> list[Finding]:
    """Of a whole history in one piece: what increments and rebuilds must equal. ``events`` come in any order."""
    book = EntranceBook(rules, seal_every=2**62)
    for event in events:
        book.add(event)
    update = book.settle()
    return [finding for sheaf in update.sheaves for finding in sheaf.findings] if update is not None else []


async def rebuild_entrance(rules: HouseRules, facts: AsyncIterator[Fact]) -> list[Sheaf]:
    """All sheaves of a history; ``facts`` in order of their instants, so that none is late and little is held."""
    book, sheaves = EntranceBook(rules), dict[int, Sheaf]()
    waiting = 0
    async for fact in facts:
        event = entrance_event(fact)
        if event is not None:
            book.add(event)
            waiting += 1
        if waiting >= SEAL_EVERY:
            waiting = 0
            _settle_into(sheaves, book)
    _settle_into(sheaves, book)
    return [sheaves[anchor_us] for anchor_us in sorted(sheaves)]


def _settle_into(sheaves: dict[int, Sheaf], book: EntranceBook) -> None:
    update = book.settle()
    if update is not None:
        apply_update(sheaves, update)
