"""A worker's writer: groups by compare-and-append, joined again after a clash, looked up after a lost connection."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from functools import partial
from typing import Any, Final

from sqlalchemy.exc import DBAPIError

from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.postgres.appending import Pending, became
from pagereeve.store.postgres.committing import Committer, probe
from pagereeve.store.postgres.connections import WriterConnection
from pagereeve.store.postgres.sqlstates import is_clash, is_lost, is_value_refused
from pagereeve.store.records.requests import StoreRequest
from pagereeve.store.sql.group_writer import GROUP_MAX, QUEUE_DEPTH_MAX, GroupWriter
from pagereeve.store.sql.transaction import Outcome, store_group

ATTEMPTS_MAX: Final = 12
AGAIN_S: Final = 0.02
AGAIN_MAX_S: Final = 1.0
DOUBT_S: Final = 30.0
"""So long a commit without an answer is looked for, until those who wait are told that it may be stored."""


class Writer(GroupWriter):
    def __init__(
        self,
        connection: WriterConnection,
        name: str,
        clock: Clock,
        entropy: Entropy,
        committer: Committer,
        *,
        queue_depth_max: int = QUEUE_DEPTH_MAX,
        group_max: int = GROUP_MAX,
    ) -> None:
        super().__init__(name, clock, queue_depth_max=queue_depth_max, group_max=group_max)
        self.committer = committer
        self.clashes = 0
        self._connection = connection
        self._entropy = entropy

    @property
    def sealed_facts(self) -> int:
        return self.committer.heads.sealing.size

    async def _commit(self, requests: Sequence[StoreRequest[Any]]) -> Outcome:
        heads = self.committer.heads
        for attempt in range(1, ATTEMPTS_MAX + 1):
            heads.pending = None
            try:
                return await self._connection.run(partial(store_group, requests=requests, heads=heads))
            except (DBAPIError, OSError) as error:
                if is_lost(error):
                    stored = None if heads.pending is None else await self._looked_up(heads.pending)
                    if stored is not None:
                        return stored
                elif not is_clash(error):
                    raise
                if attempt == ATTEMPTS_MAX:
                    raise
                self.clashes += is_clash(error)
            # Full jitter: those who met once should not meet again.
            await asyncio.sleep(self._entropy.jitter() * min(AGAIN_MAX_S, AGAIN_S * 2**attempt))
        raise AssertionError("unreachable")

    async def _looked_up(self, pending: Pending) -> Outcome | None:
        """What a commit came to whose answer was lost; None where it was not stored. Raises JournalUnavailable."""
        deadline_us = self._clock.monotonic_us() + int(DOUBT_S * 1_000_000)
        while True:
            said = "no answer"
            try:
                said = await self._connection.run(partial(became, pending=pending))
            except (DBAPIError, OSError) as error:
                said = str(getattr(error, "orig", None) or error)
            if said == "committed":
                return pending.outcome
            if said == "aborted":
                return None
            if self._clock.monotonic_us() > deadline_us:
                raise JournalUnavailable(
                    f"the connection to journal {self._path} was lost while it stored ({said}): what was sent may be "
                    "stored; send it again, it is known then"
                )
            await asyncio.sleep(AGAIN_S + self._entropy.jitter() * AGAIN_MAX_S / 2)

    def _is_refused(self, error: Exception) -> bool:
        return is_value_refused(error)

    async def _try(self) -> None:
        await self._connection.run(probe)
