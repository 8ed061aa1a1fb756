"""How each printer's meter fares: its last good reading, since when it is silent and why, what is open about it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from pagereeve.domain.facts.facts import BadgePresented, PlateauRead, PrinterNoted, ReadFailed, ReleaseStarted
from pagereeve.domain.facts.in_force import PROVEN, Rules
from pagereeve.domain.facts.reading import Plateau, Silence
from pagereeve.domain.ledger import Charge, Finding, Severity
from pagereeve.domain.values.instants import FOREVER_US, SECOND_US
from pagereeve.ports.findings import PAGE_MAX, FindingFilter, Place
from pagereeve.ports.reads import Reads
from pagereeve.ports.releases import ReleaseFilter
from pagereeve.queries.installation import GATEWAY_DOWN

MeterStanding = Literal["answers", "silent", "never-read"]
# Of so many open windows the releases are named.
OPEN_MAX: Final = 100
# Of so many silent printers the last readings are asked for one by one.
SILENT_MAX: Final = 100
# A gateway's last badge and notice are looked for so far back from the newest fact.
HEARD_WITHIN_US: Final = 3_600 * SECOND_US


@dataclass(frozen=True, slots=True)
class MeterState:
    """``plateau``: the newest good readings, None where there never was one. ``silence``: of the reads that fail since.

    ``findings`` are open ones, by severity.
    """

    plateau: Plateau | None = None
    silence: Silence | None = None
    findings: Mapping[Severity, int] = field(default_factory=dict)

    @property
    def standing(self) -> MeterStanding:
        if self.silence is not None:
            return "silent"
        return "never-read" if self.plateau is None else "answers"


UNKNOWN: Final = MeterState()


@dataclass(frozen=True, slots=True)
class Fleet:
    """``meters`` are of all printers that were ever read; ``down`` are gateways whose own check fails, since when."""

    meters: Mapping[str, MeterState]
    down: Mapping[str, int]

    def meter(self, printer: str) -> MeterState:
        return self.meters.get(printer, UNKNOWN)


@dataclass(frozen=True, slots=True)
class MeterDetails:
    """``open`` are charges of releases whose windows are open, at most OPEN_MAX. ``proven_us``: the last proof."""

    state: MeterState
    open: tuple[Charge, ...]
    settle_us: int
    settle_learned_us: int | None
    proven_us: int | None


async def fleet_of(held: Reads) -> Fleet:
    """In a number of statements that hardly grows with the fleet. ``held`` is of one moment."""
    runs = {printer: run.fact async for printer, run in held.open_runs()}
    lasts = await _lasts(held, [printer for printer, run in runs.items() if isinstance(run, ReadFailed)])
    counts: dict[str, Counter[Severity]] = {}
    down: dict[str, int] = {}
    for known in await held.open_findings():
        counts.setdefault(known.printer, Counter())[known.severity] = known.findings
    for one in await _gateways_down(held):
        down[_gateway(one)] = one.since_us
    names = runs.keys() | counts.keys() - {""}
    return Fleet({name: _state(runs.get(name), lasts.get(name), counts.get(name, {})) for name in names}, down)


async def _gateways_down(held: Reads) -> Sequence[Finding]:
    """The latest of a gateway comes last."""
    found: list[Finding] = []
    after: Place | None = None
    while True:
        page = await held.findings_page(FindingFilter("open", GATEWAY_DOWN), PAGE_MAX, after)
        found += page.findings
        after = page.after
        if after is None:
            return sorted(found, key=lambda one: one.since_us)


async def _lasts(held: Reads, silent: Collection[str]) -> Mapping[str, Plateau]:
    """The last good readings of these. Those of a whole fleet cost as much as all else that is asked of it."""
    if len(silent) > SILENT_MAX:
        return {read.printer: read.plateau async for read in held.last_reads()}
    found = [await held.last_read(printer) for printer in silent]
    return {read.printer: read.plateau for read in found if read is not None}


async def meter_of(held: Reads, printer: str) -> MeterDetails:
    run = await held.open_run(printer)
    last = await held.last_read(printer)
    counts: Counter[Severity] = Counter()
    for one in await held.count_findings(FindingFilter("open", printer=printer)):
        counts[one.severity] += one.findings
    rules = Rules.of([stored.fact for stored in await held.standing_facts(printer)])
    waiting = await held.releases_page(ReleaseFilter(printer, verdict="open"), OPEN_MAX)
    state = _state(None if run is None else run.fact, None if last is None else last.plateau, counts)
    return MeterDetails(
        state,
        tuple(waiting.charges),
        rules.settle_us(FOREVER_US),
        rules.settle_learned_us(FOREVER_US),
        _proven(rules.notes),
    )


@dataclass(frozen=True, slots=True)
class Heard:
    """The last badge at a gateway, the last notice of a release behind it; None: none within HEARD_WITHIN_US."""

    badge_us: int | None = None
    notice_us: int | None = None


async def heard_through(held: Reads, behind: Mapping[str, Collection[str]]) -> Mapping[str, Heard]:
    """By gateway; ``behind`` says which printers are behind each."""
    newest_us = await held.newest_us()
    badges: dict[str, int] = {}
    notices: dict[str, int] = {}
    of_printer = {printer: gateway for gateway, printers in behind.items() for printer in printers}
    if newest_us is not None:
        async for fact in held.badge_facts(newest_us - HEARD_WITHIN_US):
            if isinstance(fact, BadgePresented):
                _note(badges, fact.gateway, fact.origin.at_us)
            elif isinstance(fact, ReleaseStarted):
                _note(notices, fact.gateway or of_printer.get(fact.printer, ""), fact.origin.at_us)
    return {gateway: Heard(badges.get(gateway), notices.get(gateway)) for gateway in behind}


def _note(latest: dict[str, int], gateway: str, at_us: int) -> None:
    latest[gateway] = max(latest.get(gateway, 0), at_us)


def _state(run: PlateauRead | ReadFailed | None, last: Plateau | None, findings: Mapping[Severity, int]) -> MeterState:
    if isinstance(run, PlateauRead):
        return MeterState(run.plateau, None, findings)
    return MeterState(last, None if run is None else run.silence, findings)


def _gateway(finding: Finding) -> str:
    return str(finding.what.value("gateway") or "")


def _proven(notes: Iterable[PrinterNoted]) -> int | None:
    return max((one.origin.at_us for one in notes if one.note == PROVEN), default=None)
