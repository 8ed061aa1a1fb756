"""What stands in the way of closing a period, what goes on without being a hindrance, and in what order periods close.

Whatever hinders can be overruled with a reason: what comes later is then an adjustment.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod
from pagereeve.domain.accounts.sites_behind import SiteBehind
from pagereeve.domain.accounts.totals import Total
from pagereeve.domain.ledger import Charge

ConcernKind = Literal[
    "sites-behind",
    "windows-open",
    "pages-waiting",
    "findings-open",
    "meters-silent",
    "rows-damaged",
    "not-conserved",
    "unproven",
]
NO_HINDRANCE: Final[frozenset[ConcernKind]] = frozenset({"unproven"})
NAMES_MAX: Final = 10


@dataclass(frozen=True, slots=True)
class Concern:
    """``count`` releases, printers, findings, rows or ``sites``; ``pages`` is None where nobody can say how many are
    at stake. ``names`` are some of the printers or findings, in order.
    """

    kind: ConcernKind
    count: int
    pages: int | None = None
    names: tuple[str, ...] = ()
    sites: tuple[SiteBehind, ...] = ()

    @property
    def hinders(self) -> bool:
        return self.kind not in NO_HINDRANCE


@dataclass(frozen=True, slots=True)
class Span:
    """A closed period: its name, and the instants [from_us, to_us)."""

    name: str
    from_us: int
    to_us: int


OrderTrouble = Literal["no-ends", "not-over", "closed-already", "overlaps", "before-closed", "earlier-open"]


@dataclass(frozen=True, slots=True)
class OutOfOrder:
    """Why a period can't be closed at all. ``other`` names the closed period that is in the way; ``at_us`` is the end
    of the period that is not over, or the first instant that is still open.
    """

    trouble: OrderTrouble
    other: str = ""
    at_us: int = 0


def order_trouble(
    wanted: Span, closed: Sequence[Span], first_us: int | None, now_us: int, always_us: int
) -> OutOfOrder | None:
    """Closed periods follow one another without a gap, so that an adjustment always has one open period to go to.

    ``first_us``: the first instant by which any pages belong to a period; None where there are none yet.
    """
    if wanted.from_us <= 0 or wanted.to_us >= always_us:
        return OutOfOrder("no-ends")
    in_the_way = _in_the_way(wanted, closed)
    if in_the_way is not None:
        return in_the_way
    if wanted.to_us > now_us:
        return OutOfOrder("not-over", at_us=wanted.to_us)
    ends_us = max((one.to_us for one in closed), default=first_us)
    if ends_us is not None and ends_us < wanted.from_us:
        return OutOfOrder("earlier-open", at_us=ends_us)
    return None


def _in_the_way(wanted: Span, closed: Sequence[Span]) -> OutOfOrder | None:
    same = next((one for one in closed if one.name == wanted.name), None)
    if same is not None:
        return OutOfOrder("closed-already", same.name)
    for one in closed:
        if wanted.from_us < one.to_us:
            return OutOfOrder("overlaps" if one.from_us < wanted.to_us else "before-closed", one.name)
    return None


@dataclass(frozen=True, slots=True)
class FindingsSeen:
    """The open ``findings`` that began in the period; ``pages`` is None where none is about pages. ``names`` are those
    of the worst.
    """

    findings: int
    pages: int | None
    names: tuple[str, ...]


@dataclass(slots=True)
class ChargesSeen:
    """What a period's charges say of concerns: fed one by one, memory in proportion to the open releases."""

    open_releases: set[tuple[str, str, str]] = field(default_factory=set)
    open_pages: int = 0
    unproven_rows: int = 0
    unproven_pages: int = 0

    def add(self, charge: Charge) -> None:
        """Channels that are parts of the billed one would count a page twice."""
        if not Total("", charge.channel, "").billed:
            return
        if charge.verdict is None:
            self.open_releases.add((charge.printer, charge.release.source, charge.release.release))
            self.open_pages += charge.released or 0
        elif charge.unproven:
            self.unproven_rows += 1
            self.unproven_pages += charge.unproven


def concerns_of(
    accounts: AccountsOfPeriod,
    seen: ChargesSeen,
    findings: FindingsSeen,
    silent: Sequence[str],
    damaged: int,
    sites: Sequence[SiteBehind] = (),
) -> list[Concern]:
    """``silent`` are the printers whose meter gave no count since its end, ``damaged`` how many stored rows could not
    be read, ``sites`` those of which not all is known up to its end.
    """
    found = [
        Concern("sites-behind", len(sites), None, sites=tuple(sites)),
        Concern("windows-open", len(seen.open_releases), seen.open_pages),
        _waiting(accounts),
        Concern("findings-open", findings.findings, findings.pages, findings.names[:NAMES_MAX]),
        Concern("meters-silent", len(silent), None, tuple(sorted(silent)[:NAMES_MAX])),
        Concern("rows-damaged", damaged),
        _not_conserved(accounts),
        Concern("unproven", seen.unproven_rows, seen.unproven_pages),
    ]
    return [one for one in found if one.count]


def _waiting(accounts: AccountsOfPeriod) -> Concern:
    """Of each printer in the billed channels: pages since its last cut, which the open windows hold back."""
    pages: dict[str, int | None] = {}
    for line in accounts.lines:
        if line.releases_waiting and Total("", line.channel, "").billed and line.pages_waiting != 0:
            known = pages.get(line.printer, 0)
            unknown = line.pages_waiting is None or known is None
            pages[line.printer] = None if unknown else (known or 0) + (line.pages_waiting or 0)
    known_pages = [one for one in pages.values() if one is not None]
    some_unknown = len(known_pages) < len(pages)
    names = tuple(sorted(pages)[:NAMES_MAX])
    return Concern("pages-waiting", len(pages), None if some_unknown else sum(known_pages), names)


def _not_conserved(accounts: AccountsOfPeriod) -> Concern:
    broken = [line for line in accounts.lines if not line.conserved]
    pages = sum(abs(line.counted - line.people - line.house) for line in broken)
    names = sorted({line.printer for line in broken})
    return Concern("not-conserved", len(names), pages, tuple(names[:NAMES_MAX]))
