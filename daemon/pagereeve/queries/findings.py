"""Findings for a person to check: filtered, counted and paged where it is stored."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.ledger import Finding, FindingState
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.nearest import KnownNames
from pagereeve.ports.findings import FindingCount, FindingFilter, Place
from pagereeve.ports.reads import Reads
from pagereeve.queries.offers import offered
from pagereeve.queries.uncharged import uncharged_of
from pagereeve.queries.units import UnitStanding, units_of

NOT_SAID: Final = "not yet explained"
# What these say rests on a counter's unit.
OF_COUNTS: Final = frozenset({"surplus", "shortfall", "stray-pages", "unproven-release", "steady-bias", "diagnosis"})
CLOSED: Final = "closed without a reason"


@dataclass(frozen=True, slots=True)
class FindingsAnswer:
    """``findings`` are a page of those that ``counts`` counts; the next one begins behind ``after`` (None: the end).

    ``booked``: by finding, how many pages of a surplus the ledger charges nobody for. ``units`` are those of the
    printers whose counts they are about.
    """

    findings: tuple[Finding, ...]
    counts: tuple[FindingCount, ...]
    after: Place | None = None
    booked: Mapping[str, int] = field(default_factory=dict)
    units: tuple[UnitStanding, ...] = ()

    def count(self, state: FindingState | None = None) -> int:
        return sum(one.findings for one in self.counts if state in {None, one.state})


@dataclass(frozen=True, slots=True)
class SummaryLine:
    """``too_many`` and ``too_few`` are pages, in the meters' steps; findings that are not about pages have none."""

    reason: str
    kind: str
    findings: int = 0
    too_many: int = 0
    too_few: int = 0


@dataclass(frozen=True, slots=True)
class SummaryAnswer:
    period: Period
    lines: tuple[SummaryLine, ...]


async def findings_of(reads: Reads, wanted: FindingFilter, limit: int, after: Place | None = None) -> FindingsAnswer:
    """At most ``limit`` of them, the worst first, then the oldest; read at one moment."""
    found: list[Finding] = []
    async with reads.snapshot() as held:
        counts = await held.count_findings(wanted)
        while len(found) < limit:
            page = await held.findings_page(wanted, limit - len(found), after)
            found += page.findings
            after = page.after
            if after is None:
                break
        shown = await offered(held, found)
        booked = await uncharged_of(held, shown)
        counted = {one.printer for one in found if one.kind in OF_COUNTS}
        units = await units_of(held, counted) if counted else ()
    return FindingsAnswer(tuple(shown), tuple(counts), after, booked, units)


async def unknown_printer(reads: Reads, name: str) -> str | None:
    """None where the journal knows the printer; else the known name that is nearest to it, or empty."""
    if await reads.open_run(name) is not None:
        return None  # without a look at all names, which takes longer than most pages of one printer
    known = KnownNames(await reads.printers())
    return None if name in known else known.nearest(name)


async def finding_of(reads: Reads, name: str) -> FindingsAnswer:
    """The finding of that id alone, whatever its state. Raises BadQuestion where there is none."""
    async with reads.snapshot() as held:
        found = await held.finding(name)
        if found is None:
            raise BadQuestion("FINDING", f"{name[:40]!r} is no finding; pagereeve findings --all lists them")
        shown = await offered(held, [found])
        booked = await uncharged_of(held, shown)
    pages = found.pages or 0
    count = FindingCount(
        found.severity, found.kind, found.state, found.reason, 1, max(0, pages), max(0, -pages), found.pages is not None
    )
    return FindingsAnswer(tuple(shown), (count,), None, booked)


async def summary_of(reads: Reads, period: Period) -> SummaryAnswer:
    """Findings that began in the period, by what people said they came of."""
    counts = await reads.count_findings(FindingFilter(from_us=period.from_us, to_us=period.to_us))
    return SummaryAnswer(period, tuple(summary_lines(counts)))


def summary_lines(counts: Sequence[FindingCount]) -> list[SummaryLine]:
    """By reason and kind; what nobody has spoken of comes last."""
    sums: dict[tuple[str, str], list[int]] = {}
    for one in counts:
        reason = one.reason or (NOT_SAID if one.state == "open" else CLOSED)
        figures = sums.setdefault((reason, one.kind), [0, 0, 0])
        for place, figure in enumerate((one.findings, one.too_many, one.too_few)):
            figures[place] += figure
    ordered = sorted(sums, key=lambda key: (key[0] in {NOT_SAID, CLOSED}, key))
    return [SummaryLine(*key, *sums[key]) for key in ordered]
