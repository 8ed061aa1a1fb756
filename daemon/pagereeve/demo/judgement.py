"""Was every planted fault found, nothing else, and every page accounted for?"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import zip_longest

from pagereeve.demo.found import pair_of
from pagereeve.domain.ledger import Finding, Posting, is_house, is_meter
from pagereeve.simulator.college.scenario import Planted
from pagereeve.simulator.printer.model import Truth


@dataclass(frozen=True, slots=True)
class FaultLine:
    """One planted fault, the findings that answer to it, and how soon after it the last of these was there."""

    what: str
    printer: str
    expected: tuple[str, ...]
    missing: tuple[str, ...]
    after_s: float | None = None

    @property
    def found(self) -> bool:
        return not self.missing


@dataclass(frozen=True, slots=True)
class PageLine:
    """One printer's pages: ``marked`` by the simulated engine, and what persons and house accounts received."""

    printer: str
    marked: int
    people: int
    house: int

    @property
    def accounted(self) -> int:
        return self.people + self.house


@dataclass(frozen=True, slots=True)
class DayJudgement:
    faults: tuple[FaultLine, ...]
    unplanted: tuple[Finding, ...]
    pages: tuple[PageLine, ...]

    @property
    def good(self) -> bool:
        return (
            all(fault.found for fault in self.faults)
            and not self.unplanted
            and all(line.marked == line.accounted for line in self.pages)
        )


def judge(
    planted: Sequence[Planted],
    findings: Sequence[Finding],
    postings: Iterable[Posting],
    truth: Mapping[str, Truth],
    delays_s: Sequence[float | None] = (),
) -> DayJudgement:
    """Compare what was planted with what was found, and what was marked with what the ledger accounts for.

    ``delays_s``: for each planted fault how soon it was found, where that is known.
    """
    seen = {pair_of(finding) for finding in findings}
    fine = {pair for one in planted for pair in (*one.expected, *one.allowed)}
    faults = tuple(
        FaultLine(
            what=one.what,
            printer=one.printer,
            expected=tuple(kind for kind, _ in one.expected),
            missing=tuple(f"{kind} at {printer}" for kind, printer in one.expected if (kind, printer) not in seen),
            after_s=after_s,
        )
        for one, after_s in zip_longest(planted, delays_s[: len(planted)])
    )
    unplanted = tuple(finding for finding in findings if pair_of(finding) not in fine)
    return DayJudgement(faults, unplanted, _pages(postings, truth))


def _pages(postings: Iterable[Posting], truth: Mapping[str, Truth]) -> tuple[PageLine, ...]:
    people = dict.fromkeys(truth, 0)
    house = dict.fromkeys(truth, 0)
    for posting in postings:
        for account, pages in posting.legs:
            if is_house(account):
                house[posting.printer] += pages
            elif not is_meter(account):
                people[posting.printer] += pages
    return tuple(PageLine(name, one.marked, people[name], house[name]) for name, one in truth.items())
