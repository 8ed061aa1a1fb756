"""Findings for a page of people: those about the most pages first, and how many there are of which kind."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from pagereeve.domain.ledger import SEVERITIES, Finding, Severity
from pagereeve.ports.findings import DearPlace, FindingCount, FindingFilter
from pagereeve.ports.reads import Reads
from pagereeve.queries.findings import unknown_printer


@dataclass(frozen=True, slots=True)
class KindCount:
    """``too_many`` and ``too_few`` are pages, in the meters' steps."""

    kind: str
    severity: Severity
    findings: int
    too_many: int
    too_few: int

    @property
    def pages(self) -> int:
        return self.too_many + self.too_few


@dataclass(frozen=True, slots=True)
class DearestAnswer:
    """``kinds`` count what the other filters leave; ``nearest`` is set where nobody knows the printer:
    to the known name that is nearest, or to nothing. ``known`` counts all findings, where none fits.
    """

    findings: Sequence[Finding]
    after: DearPlace | None
    kinds: Sequence[KindCount]
    known: int
    newest_us: int | None
    nearest: str | None = None

    def count(self, kind: str | None) -> int:
        return sum(one.findings for one in self.kinds if kind in {None, one.kind})


async def dearest_of(held: Reads, wanted: FindingFilter, limit: int, after: DearPlace | None = None) -> DearestAnswer:
    """``held`` is of one moment."""
    counts = await held.count_findings(replace(wanted, kind=None))
    page = await held.dearest_findings(wanted, limit, after)
    nearest = None if wanted.printer is None else await unknown_printer(held, wanted.printer)
    return DearestAnswer(
        findings=page.findings,
        after=page.after,
        kinds=kinds_of(counts),
        known=sum(one.findings for one in await held.count_findings(FindingFilter())) if not page.findings else 0,
        newest_us=await held.newest_us(),
        nearest=nearest,
    )


def kinds_of(counts: Iterable[FindingCount]) -> list[KindCount]:
    """The most pages first, then the worst, then those that are many."""
    kinds: dict[str, KindCount] = {}
    for one in counts:
        known = kinds.get(one.kind, KindCount(one.kind, one.severity, 0, 0, 0))
        kinds[one.kind] = replace(
            known,
            findings=known.findings + one.findings,
            too_many=known.too_many + one.too_many,
            too_few=known.too_few + one.too_few,
        )
    return sorted(kinds.values(), key=lambda one: (-one.pages, SEVERITIES.index(one.severity), -one.findings, one.kind))
