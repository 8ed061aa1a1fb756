"""Which releases are asked for, and how they are paged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from pagereeve.domain.accounts.totals import OPEN
from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.ledger import Charge, Grade
from pagereeve.domain.values.instants import FOREVER_US

LOOKED_AT_MAX: Final = 10_000
"""So many charges at most are looked at for one page, however few of them are wanted."""
OWNERS_LOOKED_UP_MAX: Final = 20
"""The charges of so few owners' names are looked up by them; more names are looked for among the charges of all."""
PAGE_MAX: Final = 1_000

ReleasePlace = tuple[int, str, str, str, str]
"""Where a page ended: start, printer, source, release, channel. That order is made of facts: no projection moves it."""
VerdictAsked = Literal["agrees", "surplus", "shortfall", "unproven", "open"]
"""``open``: none yet."""


@dataclass(frozen=True, slots=True)
class ReleaseFilter:
    """Charges of channels that tickets speak of (``billed``), or of all, whose release started in [from_us, to_us).

    None: any. ``owners`` are keys (domain.facts.owners), so that every spelling of a login is meant.
    """

    printer: str | None = None
    owners: frozenset[str] | None = None
    verdict: VerdictAsked | None = None
    grade: Grade | None = None
    from_us: int = 0
    to_us: int = FOREVER_US
    billed: bool = True

    def holds(self, charge: Charge) -> bool:
        verdict = OPEN if charge.verdict is None else charge.verdict.value
        return (
            self.from_us <= charge.started_us < self.to_us
            and self.printer in {None, charge.printer}
            and (self.owners is None or owner_key(charge.owner) in self.owners)
            and self.verdict in {None, verdict}
            and self.grade in {None, charge.grade}
            and (not self.billed or charge.channel in CLAIMED_CHANNELS)
        )


@dataclass(frozen=True, slots=True)
class ReleasesPage:
    """The newest first. A page may hold few charges or none although more follow: ``after`` is None with the last."""

    charges: Sequence[Charge]
    after: ReleasePlace | None


def place_of(charge: Charge) -> ReleasePlace:
    key = charge.release
    return (charge.started_us, charge.printer, key.source, key.release, charge.channel)
