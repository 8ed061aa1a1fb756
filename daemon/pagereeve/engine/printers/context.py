"""What all watchers have in common."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from pagereeve.domain.facts.reading import Failure, Reading
from pagereeve.engine.counters import EngineCounters
from pagereeve.engine.printers.polling import PollPolicy
from pagereeve.engine.printers.projecting import ProjectingTurns
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy
from pagereeve.ports.gateways import GatewayWords
from pagereeve.ports.jobs import JobWitness
from pagereeve.ports.meter import Meter
from pagereeve.ports.spool import RunSpool
from pagereeve.ports.store import WatcherStore

# All watchers begin at once, and each reads its rows: so many at a time, or whoever asks for one row waits for all.
OPENED_AT_ONCE_MAX = 3

ReadListener = Callable[[str, Reading | Failure], None]
LearnListener = Callable[[str, int], None]
ArchiveListener = Callable[[str, str], None]
"""A printer, and which file its older rows wait for; "" once they wait for none."""


@dataclass(frozen=True, slots=True)
class WatcherContext:
    """What every watcher works with. ``apart``: dates of this boot are no continuation of those before it.

    ``jobs`` says what printers tell of their own jobs, where anybody asks them. ``openings``: who may read its rows.
    ``projecting``: who may project in a turn of the loop. ``pressed``: polls that can wait are put off.
    ``spool``: where readings wait while the journal ``is_away``; None where they can't. ``held``: see ReadingRecorder;
    None where nobody else can watch a printer.
    """

    store: WatcherStore
    meter: Meter
    clock: Clock
    entropy: Entropy
    poll_policy: PollPolicy
    counters: EngineCounters
    on_read: ReadListener | None = None
    on_learned: LearnListener | None = None
    on_archive: ArchiveListener = lambda *_: None
    first_spread_s: float = 30.0
    apart: bool = False
    gateways: GatewayWords | None = None
    jobs: JobWitness | None = None
    pressed: Callable[[], bool] = lambda: False
    spool: RunSpool | None = None
    is_away: Callable[[], bool] = lambda: False
    held: Callable[[], Awaitable[None]] | None = None
    projecting: ProjectingTurns = field(default_factory=ProjectingTurns)
    openings: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(OPENED_AT_ONCE_MAX))
