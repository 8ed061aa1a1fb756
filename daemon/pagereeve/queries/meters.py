"""How each printer's meter fares: its last good reading, since when it is silent and why, what is open about it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from pagereeve.domain.facts.facts import BadgePresented, PlateauRead, PrinterNoted, ReadFailed, ReleaseStarted
from pagereeve.domain.facts.in_force import PROVEN, Rules
from pagereeve.domain.facts.reading import Plateau, Silence
from pagereeve.domain.ledger import Charge, Finding, Severity
from pagereeve.domain.values.instants import FOREVER_US, SECOND_US
from pagereeve.ports.findings import FindingFilter
from pagereeve.ports.reads import Reads
from pagereeve.ports.releases import ReleaseFilter
from pagereeve.queries.installation import GATEWAY_DOWN

MeterStanding = Literal["answers", "silent", "never-read"]
# Of so many open windows the releases are named.
OPEN_MAX: Final = 100
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
    lasts: dict[str, Plateau] = {}
    if any(isinstance(run, ReadFailed) for run in runs.values()):
        lasts = {read.printer: read.plateau async for read in held.last_reads()}
    counts: dict[str, Counter[Severity]] = {}
    down: dict[str, int] = {}
    for one in await held.findings(only_open=True):
        counts.setdefault(one.printer, Counter())[one.severity] += 1
        if one.kind == GATEWAY_DOWN:
            down[_gateway(one)] = one.since_us
    names = runs.keys() | counts.keys() - {""}
    return Fleet({name: _state(runs.get(name), lasts.get(name), counts.get(name, {})) for name in names}, down)


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


async def heard_through(held: Reads, gateway: str, printers: Collection[str]) -> Heard:
    """``printers`` are those behind it."""
    newest_us = await held.newest_us()
    if newest_us is None:
        return Heard()
    badges, notices = [], []
    async for fact in held.badge_facts(newest_us - HEARD_WITHIN_US):
        if isinstance(fact, BadgePresented) and fact.gateway == gateway:
            badges.append(fact.origin.at_us)
        elif isinstance(fact, ReleaseStarted) and (fact.gateway == gateway or fact.printer in printers):
            notices.append(fact.origin.at_us)
    return Heard(max(badges, default=None), max(notices, default=None))


def _state(run: PlateauRead | ReadFailed | None, last: Plateau | None, findings: Mapping[Severity, int]) -> MeterState:
    if isinstance(run, PlateauRead):
        return MeterState(run.plateau, None, findings)
    return MeterState(last, None if run is None else run.silence, findings)


def _gateway(finding: Finding) -> str:
    return str(finding.what.value("gateway") or "")


def _proven(notes: Iterable[PrinterNoted]) -> int | None:
    return max((one.origin.at_us for one in notes if one.note == PROVEN), default=None)
