"""The daemon as one of several workers: what it watches and does, of all that there is."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import AsyncExitStack
from typing import Final

import structlog

from pagereeve.app.journals import RunningJournal, hints_of
from pagereeve.app.spooling import SpoolKeeper
from pagereeve.engine.hints.keeper import HintKeeper
from pagereeve.engine.printers.registry import RegisteredPrinter
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.ports.clock import Clock

TASK: Final = "hints"

log = structlog.get_logger("pagereeve.hints")


def gateways_of(printers: Mapping[str, RegisteredPrinter]) -> Mapping[str, str]:
    return {name: one.gateway for name, one in printers.items()}


async def open_keeper(
    store: RunningJournal,
    clock: Clock,
    spool: SpoolKeeper,
    printers: Mapping[str, RegisteredPrinter],
    supervisor: Supervisor,
    stack: AsyncExitStack,
) -> HintKeeper:
    """With its first part, until ``stack`` is closed. Where the journal is a file that is all, for good. Raises
    JournalUnavailable.
    """
    keeper = HintKeeper(hints_of(store), clock, gateways_of(printers), spool.is_away)
    stack.push_async_callback(keeper.close)
    await keeper.open()
    if keeper.hints.lifetime_s is not None:
        keeper.on_moved = _moved
        stack.push_async_callback(supervisor.end, TASK)
        supervisor.start("journal", TASK, keeper.run, heartbeat=keeper.heartbeat, forever=True)
    return keeper


def _moved(came: int, went: int, watched: int) -> None:
    log.info("printers are shared out among workers", came=came, went=went, watched=watched)
