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
from pagereeve.store.errors import unavailable
from pagereeve.store.postgres.appending import Pending, became
from pagereeve.store.postgres.committing import Committer, probe
from pagereeve.store.postgres.connections import WriterConnection
from pagereeve.store.postgres.kept_newest import KeptNewest
from pagereeve.store.postgres.sqlstates import is_clash, is_lost, is_value_refused
from pagereeve.store.records.requests import StoreRequest
from pagereeve.store.sql.group_writer import GROUP_MAX, QUEUE_DEPTH_MAX, GroupWriter
from pagereeve.store.sql.transaction import Outcome, store_group

ATTEMPTS_MAX: Final = 12
AGAIN_S: Final = 0.02
AGAIN_MAX_S: Final = 1.0
LOST_S: Final = 3.0
"""A server that restarts is waited for so long. Then the journal is away: what comes is refused at once, until a look
at it (``probe``) finds it there again, or nobody looked for TRY_AGAIN_S.
"""
SILENT_S: Final = 3.0
"""A server that has neither stored a group nor refused it for so long is silent: nobody asks too much then."""
TRY_AGAIN_S: Final = 2.0
HANGS_S: Final = 10.0
"""One that is silent for so long is away, too. It may still store that group."""
GROUP_S: Final = 30.0
"""So long a group may take. Statements and waits for locks end sooner (Limits), unless the server hangs."""
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
        kept: KeptNewest | None = None,
        *,
        queue_depth_max: int = QUEUE_DEPTH_MAX,
        group_max: int = GROUP_MAX,
    ) -> None:
        super().__init__(name, clock, queue_depth_max=queue_depth_max, group_max=group_max)
        self.committer = committer
        self.kept = kept or KeptNewest(name)
        self.clashes = 0
        self._connection = connection
        self._entropy = entropy
        self._tried_us = clock.monotonic_us()
        self._asked_us: int | None = None

    def refusal(self) -> JournalUnavailable | None:
        """Also while the database is away: nobody waits for one connection after another to be refused."""
        if (refusal := super().refusal()) is not None:
            return refusal
        hindered = self.hindered
        if hindered is None or hindered.hindrance != "away" or self._since_s(self._tried_us) > TRY_AGAIN_S:
            return None
        return unavailable(self._path, hindered.__cause__ or hindered)

    def hinder(self, cause: Exception) -> None:
        super().hinder(cause)
        self._tried_us = self._clock.monotonic_us()

    def _since_s(self, monotonic_us: int) -> float:
        return (self._clock.monotonic_us() - monotonic_us) / 1_000_000

    @property
    def asked_s(self) -> float:
        """So long the server has had a group, without an answer; 0 where it has none."""
        return 0.0 if self._asked_us is None else self._since_s(self._asked_us)

    @property
    def silent(self) -> bool:
        """Until more is known of what hinders it."""
        return self.hindered is None and self.asked_s > SILENT_S

    def hangs(self) -> bool:
        return self.waited_us > HANGS_S * 1_000_000

    def refuse_those_in_line(self) -> None:
        """Behind a group that hangs. Nothing of theirs was sent."""
        error = TimeoutError(f"the server gives no answer for more than {HANGS_S:.0f} s")
        self.hinder(error)
        self._fail_all(error)

    @property
    def sealed_facts(self) -> int:
        return self.committer.heads.sealing.size

    async def _commit(self, requests: Sequence[StoreRequest[Any]]) -> Outcome:
        try:
            outcome = await self._committed(requests)
        finally:
            self._asked_us = None
        # Before anybody is answered, as a journal's file has it.
        self.kept.keep(self.committer.heads.newest)
        return outcome

    async def _committed(self, requests: Sequence[StoreRequest[Any]]) -> Outcome:
        heads = self.committer.heads
        lost_us: int | None = None
        for attempt in range(1, ATTEMPTS_MAX + 1):
            heads.pending = None
            if self._asked_us is None:
                self._asked_us = self._clock.monotonic_us()
            try:
                return await self._connection.run(partial(store_group, requests=requests, heads=heads), GROUP_S)
            except (DBAPIError, OSError) as error:
                if is_lost(error):
                    stored = None if heads.pending is None else await self._looked_up(heads.pending)
                    if stored is not None:
                        return stored
                    lost_us = self._clock.monotonic_us() if lost_us is None else lost_us
                    if self._since_s(lost_us) > LOST_S:
                        raise
                elif not is_clash(error):
                    raise
                else:
                    self._asked_us = None  # that was an answer
                if attempt == ATTEMPTS_MAX:
                    raise
                self.clashes += is_clash(error)
            # Full jitter: those who met once should not meet again.
            await asyncio.sleep(self._entropy.jitter() * min(AGAIN_MAX_S, AGAIN_S * 2**attempt))
        raise AssertionError("unreachable")

    async def _looked_up(self, pending: Pending) -> Outcome | None:
        """What a commit came to whose answer was lost; None where it was not stored. Raises JournalUnavailable."""
        began_us = self._clock.monotonic_us()
        while True:
            said = "no answer"
            lost: Exception | None = None
            try:
                said = await self._connection.run(partial(became, pending=pending), HANGS_S)
                if said == "committed":
                    # With a synchronous standby a commit is seen before that has it, and a server that restarts waits
                    # for none: one more commit is answered only once the standby has both.
                    said = "committed, and no standby has it yet"
                    await self._connection.run(probe, HANGS_S)
                    return pending.outcome
            except (DBAPIError, OSError) as error:
                lost = error
                said = said if said.startswith("committed") else str(getattr(error, "orig", None) or error)
            if said == "aborted":
                return None
            if lost is not None and self._since_s(began_us) > LOST_S:
                # Those in line behind it wait for no answer of this one.
                self.hinder(lost)
                self._fail_all(lost)
            if self._since_s(began_us) > DOUBT_S:
                raise JournalUnavailable(
                    f"the connection to journal {self._path} was lost while it stored ({said}): what was sent may be "
                    "stored; send it again, it is known then",
                    "away",
                )
            await asyncio.sleep(AGAIN_S + self._entropy.jitter() * AGAIN_MAX_S / 2)

    def _is_refused(self, error: Exception) -> bool:
        return is_value_refused(error)

    async def _try(self) -> None:
        await self._connection.run(probe, HANGS_S)
