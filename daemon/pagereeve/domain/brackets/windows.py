"""When a release may have moved the meter (domain/README.md, step 2)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import field
from typing import Final, Literal

from pagereeve.domain.brackets.expectation import NOBODYS_CHANNELS, Expectation, expect, expect_in
from pagereeve.domain.brackets.prints import TOTAL
from pagereeve.domain.facts.facts import ReleaseAnswered, ReleaseEnded, ReleaseStarted
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.ledger import Charge, ReleaseKey
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.domain.values.records import dataclass

# A sender that waits sends its notice at once; and so long an answer is waited for at most (settings: wait_max).
LATE_NOTICE_US: Final = 10 * SECOND_US
LONGEST_GATE_US: Final = 300 * SECOND_US

Again = Literal["repeat", "reuse"]
MadeOf = tuple[ReleaseStarted, ReleaseEnded | None, Policy, int, Again | None, int | None, bool]
Awaited = tuple[Unit | None, int | None, str, bool]
"""The channel's unit, when the window closed that was given up, why no stretch has it, and whether it stalled."""
Closing = Literal["rested", "never-moved", "longest-wait"]


@dataclass(frozen=True, slots=True)
class Release:
    """A release on its printer's timeline. ``again``: its name was started before, for the same job or another.

    ``answered_us``: its sender waited, and let the job go from then on. ``state_believed``: what the printer said of
    its state was known to be of use then. ``ticket`` is with the policy's defaults in place of what it leaves out.

    ``noticed_us`` is when the start is said to have been: no window opens before it. From ``start_us`` on its pages may
    come. ``order`` is by start; equal starts by the event's identity, so that arrival never decides.
    """

    started: ReleaseStarted
    ended: ReleaseEnded | None
    policy: Policy
    settle_us: int
    again: Again | None = None
    answered_us: int | None = None
    state_believed: bool = True
    ticket: Ticket = field(init=False, compare=False, repr=False)
    key: ReleaseKey = field(init=False, compare=False, repr=False)
    noticed_us: int = field(init=False, compare=False, repr=False)
    start_us: int = field(init=False, compare=False, repr=False)
    end_us: int | None = field(init=False, compare=False, repr=False)
    opens_us: int = field(init=False, compare=False, repr=False)
    order: tuple[int, str, str] = field(init=False, compare=False, repr=False)
    # A few each: to look through them costs less than a table, and takes less room.
    _expected: tuple[tuple[str, Unit, Expectation], ...] = field(default=(), compare=False, repr=False)
    _waiting: tuple[tuple[str, Awaited, Charge], ...] = field(default=(), compare=False, repr=False)

    def __post_init__(self) -> None:
        origin, ended, put = self.started.origin, self.ended, object.__setattr__
        start_us = origin.at_us if self.answered_us is None else self.answered_us
        put(self, "ticket", self.policy.meant(origin.source, self.started.ticket))
        put(self, "key", ReleaseKey(origin.source, self.started.release))
        put(self, "noticed_us", origin.at_us)
        put(self, "start_us", start_us)
        put(self, "end_us", None if ended is None else max(start_us, ended.origin.at_us))
        put(self, "opens_us", start_us + self.policy.floor_us)
        put(self, "order", (start_us, origin.source, origin.id))

    @property
    def made_of(self) -> MadeOf:
        """What it follows from, all else with it."""
        return (
            self.started,
            self.ended,
            self.policy,
            self.settle_us,
            self.again,
            self.answered_us,
            self.state_believed,
        )

    def expected_of(self, channel: str, unit: Unit) -> Expectation:
        for name, in_unit, known in self._expected:
            if name == channel and in_unit is unit:
                return known
        if channel == TOTAL or channel in NOBODYS_CHANNELS or unit is Unit.UNKNOWN:
            expected = expect(channel, unit, self.ticket, self.ended, self.policy, again=self.is_repeat)
        else:
            expected = expect_in(channel, self.ticket, self.expected_of(TOTAL, unit))
        object.__setattr__(self, "_expected", (*self._expected, (channel, unit, expected)))
        return expected

    def waiting_as(self, channel: str, awaited: Awaited, make: Callable[[], Charge]) -> Charge:
        """Its row while no stretch has it, on a channel: made again only where what is awaited is another."""
        for name, of, known in self._waiting:
            if name == channel and of == awaited:
                return known
        charge = make()
        others = (one for one in self._waiting if one[0] != channel)
        object.__setattr__(self, "_waiting", (*others, (channel, awaited, charge)))
        return charge

    @property
    def is_repeat(self) -> bool:
        """The same job was released before: it adds no claim, and may print or not."""
        return self.again == "repeat"


@dataclass(frozen=True, slots=True)
class Window:
    """From the release's start to the meter's rest. ``closes_us`` is None while it is open.

    ``due_us`` is when an open one closes if the meter goes on resting as it does now; None if it does not rest.
    Up to ``opens_us`` (start plus first-page floor) the meter can't have moved yet for this release. ``by_count``: the
    count rested while the state was busy, or said nothing of use; up to ``firm_us`` pages that were owed may still open
    such a window again. ``rest_from_us``: since when the count stood that closed it.
    """

    release: Release
    closes_us: int | None
    closing: Closing | None
    stalled: bool
    due_us: int | None = None
    by_count: bool = False
    firm_us: int | None = None
    rest_from_us: int | None = None

    @property
    def open_until_us(self) -> int | None:
        """From when on nothing can change it; None while it is open."""
        return self.closes_us if self.firm_us is None else self.firm_us

    @property
    def opens_us(self) -> int:
        return self.release.opens_us


def opening_answer_us(started: ReleaseStarted, ended: ReleaseEnded | None, answered: ReleaseAnswered) -> int | None:
    """When a gated release's window opens: at the answer, where its sender can have held the job until then.

    None, and the window opens at the notice, where it can't have: the notice came late, as one does that is sent after
    the deed; or its job has ended before the answer; or a clock puts the answer where no wait leads.
    """
    noticed_us = started.origin.at_us
    if started.origin.received_us - noticed_us > LATE_NOTICE_US:
        return None
    if not noticed_us <= answered.at_us <= noticed_us + LATE_NOTICE_US + LONGEST_GATE_US:
        return None
    return answered.at_us if ended is None or ended.origin.at_us >= answered.at_us else None


def expected_of(channel: str, unit: Unit, release: Release) -> Expectation:
    """What the release should cost on a channel; asked for at several steps, worked out once."""
    return release.expected_of(channel, unit)
