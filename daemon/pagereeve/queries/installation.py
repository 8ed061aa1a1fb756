"""What the journal shows of a site: open findings, printers without a reading, receivers that accept nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.facts.facts import PlateauRead, ReadFailed
from pagereeve.domain.facts.reading import GatewayWord, SilenceReason
from pagereeve.domain.findings.finding import Kind
from pagereeve.domain.findings.from_timeline import SILENCE_TRIES_MIN
from pagereeve.domain.ledger import Severity
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.archives import FileState
from pagereeve.ports.findings import PAGE_MAX, FindingFilter
from pagereeve.ports.queries import Growth
from pagereeve.ports.reads import Reads
from pagereeve.queries.noted_readings import Seen, noted_readings, panels_read_us
from pagereeve.queries.proven import proven_of
from pagereeve.queries.units import UnitStanding, units_of_runs

GATEWAY_DOWN: Final[Kind] = "gateway-down"
FEED_SILENT: Final[Kind] = "feed-silent"
# The present growth of a journal is that of its last month.
NO_GROWTH: Final = Growth(None, 0, 0)
# A daemon that was off over a weekend has not failed to delete them.
TITLE_GRACE_US: Final = 4 * 86_400 * SECOND_US
ARCHIVES_READ_BYTES: Final = 256 * 2**20
"""Some seconds of reading: pagereeve verify reads all."""
GROWTH_WINDOW_US: Final = 30 * 86_400 * SECOND_US


@dataclass(frozen=True, slots=True)
class SilentPrinter:
    """A printer without a good reading: since when (None: it never gave one), and the reason of the last try.

    ``failing_us`` is since when each read has failed, where several have and a daemon still tries; ``late`` says that
    the printer answers, but too late. ``gateway`` is what the check of its gateway said of the last tries.
    """

    printer: str
    since_us: int | None
    reason: str = ""
    failing_us: int | None = None
    late: bool = False
    gateway: GatewayWord = ""


@dataclass(frozen=True, slots=True)
class SilentFeed:
    """``feed`` as its finding names it; ``since_us`` is when the finding began."""

    feed: str
    since_us: int


@dataclass(frozen=True, slots=True)
class JournalState:
    """``findings`` are open ones by (severity, kind). ``waiting_us`` is, by receiver, since when its oldest message
    waits. ``newest_us`` is the latest instant of any fact (None: there is none). ``units`` are how each printer's is
    known. ``gateways_down`` are names. ``panels_off``: of the last month, readings of panels that disagree with the
    meter, ``panels_us`` when each printer's panel was read last. ``title_us`` is of a release whose job's title should
    be gone for days. ``archives`` are files with facts that are missing, or are not what was archived.
    """

    findings: Mapping[tuple[Severity, str], int] = field(default_factory=dict)
    quiet: tuple[SilentPrinter, ...] = ()
    newest_us: int | None = None
    waiting_us: Mapping[str, int] = field(default_factory=dict)
    units: tuple[UnitStanding, ...] = ()
    gateways_down: tuple[str, ...] = ()
    silent_feeds: tuple[SilentFeed, ...] = ()
    proven_us: Mapping[str, int] = field(default_factory=dict)
    growth: Growth = NO_GROWTH
    panels_off: tuple[Seen, ...] = ()
    panels_us: Mapping[str, int] = field(default_factory=dict)
    title_us: int | None = None
    archives: tuple[tuple[str, FileState], ...] = ()


async def journal_state(
    reads: Reads, printers: Collection[str], *, now_us: int, daemon_runs: bool, titles_us: int | None = None
) -> JournalState:
    """Of these printers, read at one moment. ``titles_us``: so long titles are kept; None: for good."""
    archives = tuple(await _archives_amiss(reads))
    async with reads.snapshot() as held:
        counts: Counter[tuple[Severity, str]] = Counter()
        for one in await held.count_findings(FindingFilter(state="open")):
            counts[one.severity, one.kind] += one.findings
        queues = await held.queues()
        runs = {printer: run.fact async for printer, run in held.open_runs()}
        lasts: dict[str, PlateauRead] = {}
        if any(not isinstance(run, PlateauRead) for run in runs.values()):
            lasts = {read.printer: read async for read in held.last_reads()}
        growth = await held.growth(now_us - GROWTH_WINDOW_US)
        silent = await held.findings_page(FindingFilter(state="open", kind=FEED_SILENT), PAGE_MAX)
        down = await held.findings_page(FindingFilter(state="open", kind=GATEWAY_DOWN), PAGE_MAX)
        return JournalState(
            findings=counts,
            quiet=tuple(_quiet(runs, lasts, printers, daemon_runs=daemon_runs)),
            newest_us=await held.newest_us(),
            waiting_us={name: one.oldest_us for name, one in queues.items() if one.oldest_us is not None},
            units=await units_of_runs(held, runs, lasts, frozenset(printers)),
            gateways_down=tuple(str(one.what.value("gateway") or "") for one in down.findings),
            silent_feeds=tuple(SilentFeed(one.place or one.printer, one.since_us) for one in silent.findings),
            proven_us=await proven_of(held),
            growth=growth,
            panels_off=tuple(await _panels_off(held, printers, now_us)),
            panels_us=await panels_read_us(held),
            title_us=None if titles_us is None else await _overdue_title_us(held, now_us - titles_us),
            archives=archives,
        )


async def _archives_amiss(reads: Reads) -> list[tuple[str, FileState]]:
    """Files that are missing or differ. The latest are read, so many bytes in all; of others the size tells."""
    found: list[tuple[str, FileState]] = []
    left_bytes = ARCHIVES_READ_BYTES
    for file in reversed(await reads.archives()):
        left_bytes -= file.size_bytes
        state = await reads.archive_state(file, read=left_bytes >= 0)
        if state != "whole":
            found.append((file.name, state))
    return found


async def _panels_off(held: Reads, printers: Collection[str], now_us: int) -> list[Seen]:
    seen = await noted_readings(held, since_us=now_us - GROWTH_WINDOW_US)
    return [one for one in seen if one.meter.off and one.panel.noted.printer in printers and not one.panel.taken_back]


async def _overdue_title_us(held: Reads, before_us: int) -> int | None:
    """Looked for among those of a month alone: the oldest go first."""
    overdue_us = before_us - TITLE_GRACE_US
    return await held.title_us(max(0, overdue_us - GROWTH_WINDOW_US), overdue_us)


def _quiet(
    runs: Mapping[str, PlateauRead | ReadFailed],
    lasts: Mapping[str, PlateauRead],
    printers: Iterable[str],
    *,
    daemon_runs: bool,
) -> list[SilentPrinter]:
    """While no daemon runs, nobody reads: that is said once, and not of each printer."""
    quiet = []
    for printer in printers:
        run = runs.get(printer)
        if isinstance(run, PlateauRead):
            if daemon_runs:
                quiet.append(SilentPrinter(printer, run.plateau.last_received_us))
        elif run is not None:
            last = lasts.get(printer)
            since_us = None if last is None else last.plateau.last_received_us
            silence = run.silence
            failing_us = silence.first_sent_us if daemon_runs and silence.count >= SILENCE_TRIES_MIN else None
            late = silence.reason is SilenceReason.LATE
            quiet.append(
                SilentPrinter(printer, since_us, silence.reason, failing_us, late=late, gateway=silence.gateway)
            )
    return quiet
