"""What the daemon does beside its work: the write-ahead file, memory, titles whose time is over."""

from __future__ import annotations

import gc
import secrets
from collections.abc import Callable

import structlog

from pagereeve.app.journals import RunningJournal
from pagereeve.domain.seal.erasure import ERASED
from pagereeve.engine.counters import EngineCounters
from pagereeve.engine.hints.keeper import DutyWork, HintKeeper
from pagereeve.engine.supervision.garbage import GarbageCollection
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.engine.supervision.title_retention import TitleRetention
from pagereeve.engine.supervision.wal_trimming import WalTrimmer
from pagereeve.ports.clock import Clock
from pagereeve.settings import Settings

log = structlog.get_logger("pagereeve.housekeeping")


async def start_housekeeping(
    supervisor: Supervisor,
    clock: Clock,
    store: RunningJournal,
    settings: Callable[[], Settings],
    agreed: Callable[[], bool],
    counters: EngineCounters,
    keeper: HintKeeper,
) -> None:
    """``settings`` gives those in force: a reload changes how long titles are kept. Nothing goes for good by a clock
    of which nobody says that it is right (``agreed``). ``counters`` counts the titles that went. Of several workers one
    has titles erased; the others' memory and files are their own.
    """

    def keep_titles_us() -> int | None:
        keep = settings().privacy.keep_titles_for
        return keep.us if keep is not None and agreed() else None

    def expired(facts: int) -> None:
        counters.titles["erased"] += facts
        log.info("titles of jobs were erased, as their time was over", facts=facts)

    wal_trimmer = WalTrimmer(clock, store.checkpoint)
    supervisor.start("wal", "wal", wal_trimmer.run, heartbeat=wal_trimmer.heartbeat, forever=True)
    garbage = GarbageCollection(clock, gc, lambda: store.waiting_since_us() is not None)
    supervisor.start("memory", "memory", garbage.run, heartbeat=garbage.heartbeat, forever=True)
    titles = TitleRetention(clock, store.expire_titles, keep_titles_us, name_of_nobody, expired)
    await keeper.undertake("titles", DutyWork.of_task(supervisor, "titles", titles.run, titles.heartbeat))


def name_of_nobody() -> str:
    """Stands in the place of what an erasure takes out of facts."""
    return f"{ERASED}{secrets.token_hex(6)}"
