"""When a release may have moved the meter (domain/README.md, step 2)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pagereeve.domain.brackets.expectation import Expectation, expect
from pagereeve.domain.facts.facts import ReleaseEnded, ReleaseStarted
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import ReleaseKey

Closing = Literal["rested", "never-moved", "longest-wait"]


@dataclass(frozen=True, slots=True)
class Release:
    """A release on its printer's timeline. ``again``: its name was started before, for the same job or another.

    ``state_believed``: what the printer said of its state was known to be of use then.
    """

    started: ReleaseStarted
    ended: ReleaseEnded | None
    policy: Policy
    settle_us: int
    again: Literal["repeat", "reuse"] | None = None
    state_believed: bool = True

    @property
    def is_repeat(self) -> bool:
        """The same job was released before: it adds no claim, and may print or not."""
        return self.again == "repeat"

    @property
    def key(self) -> ReleaseKey:
        return ReleaseKey(self.started.origin.source, self.started.release)

    @property
    def start_us(self) -> int:
        return self.started.origin.at_us

    @property
    def end_us(self) -> int | None:
        return None if self.ended is None else max(self.start_us, self.ended.origin.at_us)

    @property
    def order(self) -> tuple[int, str, str]:
        """By start; equal starts by the event's identity, so that arrival never decides."""
        return (self.start_us, *self.started.origin.key)


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
        return self.release.start_us + self.release.policy.floor_us


def expected_of(channel: str, unit: Unit, release: Release) -> Expectation:
    """What the release should cost on a channel."""
    return expect(channel, unit, release.started.ticket, release.ended, release.policy, again=release.is_repeat)
