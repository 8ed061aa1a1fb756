"""The one writer of a file: groups of requests on a thread of its own, and the write-ahead file kept short."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any, Final

from pagereeve.ports.clock import Clock
from pagereeve.store.records.requests import StoreRequest
from pagereeve.store.sql.group_writer import GROUP_MAX, QUEUE_DEPTH_MAX, GroupWriter
from pagereeve.store.sql.transaction import Outcome
from pagereeve.store.sqlite.committing import Committer
from pagereeve.store.sqlite.connections import WriterThread, truncate_wal
from pagereeve.store.sqlite.files import size_bytes, wal_path

WAL_LIMIT_BYTES: Final = 64 * 2**20
CHECKPOINT_EVERY_US: Final = 1_000_000


class Writer(GroupWriter):
    def __init__(
        self,
        thread: WriterThread,
        path: Path,
        clock: Clock,
        committer: Committer,
        *,
        queue_depth_max: int = QUEUE_DEPTH_MAX,
        group_max: int = GROUP_MAX,
        wal_limit_bytes: int = WAL_LIMIT_BYTES,
    ) -> None:
        super().__init__(path, clock, queue_depth_max=queue_depth_max, group_max=group_max)
        self.wal_limit_bytes = wal_limit_bytes
        self.committer = committer
        self._thread = thread
        self._wal_path = wal_path(path)
        self._next_checkpoint_us = 0

    @property
    def sealed_facts(self) -> int:
        return self.committer.sealed_facts

    async def _commit(self, requests: Sequence[StoreRequest[Any]]) -> Outcome:
        return await self._thread.run(partial(self.committer.store, requests=requests))

    async def _try(self) -> None:
        await self._thread.run(self.committer.probe)

    async def _between(self) -> None:
        """A reader that stays on an old snapshot keeps the file from being reused: cut it as soon as it lets go."""
        now_us = self._clock.monotonic_us()
        if now_us < self._next_checkpoint_us or size_bytes(self._wal_path) <= self.wal_limit_bytes:
            return
        self._next_checkpoint_us = now_us + CHECKPOINT_EVERY_US
        try:
            await self._thread.run_raw(truncate_wal)
        except Exception:  # noqa: BLE001 - the rows are durable already; the size stays visible in the health figures
            self.counters.failures += 1
