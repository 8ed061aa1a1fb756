"""A writer: commits whatever arrived while the last commit ran. A slow commit gathers its own, and what may wait for
company does so (waiting_line.py).
"""

from __future__ import annotations

import asyncio
from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar

from sqlalchemy.exc import DataError, DBAPIError, IntegrityError, InterfaceError, StatementError

from pagereeve.domain.values.errors import BadFact
from pagereeve.ports.clock import Clock
from pagereeve.ports.journal import Hindrance, JournalUnavailable, Overtaken
from pagereeve.ports.ledger import StaleRows
from pagereeve.ports.queries import JournalHealth
from pagereeve.store.errors import Unstorable, unavailable
from pagereeve.store.records.requests import StoreRequest
from pagereeve.store.sql.transaction import Outcome
from pagereeve.store.sql.waiting_line import Waiting, WaitingLine

Answer = TypeVar("Answer")

GROUP_MAX: Final = 512
QUEUE_DEPTH_MAX: Final = 4_096


@dataclass(slots=True)
class WriterCounters:
    commits: int = 0
    rows: int = 0
    duplicates: int = 0
    conflicts: int = 0
    failures: int = 0
    stale: int = 0
    last_commit_monotonic_us: int | None = None
    last_commit_us: int | None = None


class GroupWriter(ABC):
    """``path`` is the journal's name in messages. Ends with ``close``."""

    def __init__(
        self,
        path: Path | str,
        clock: Clock,
        *,
        queue_depth_max: int = QUEUE_DEPTH_MAX,
        group_max: int = GROUP_MAX,
    ) -> None:
        self.counters = WriterCounters()
        self.queue_depth_max = queue_depth_max
        self._path = path
        self._clock = clock
        self._line = WaitingLine(group_max)
        self._places = asyncio.Semaphore(queue_depth_max)
        self._closing = False
        self._hindered: JournalUnavailable | None = None
        self._hindered_since_us: int | None = None
        self._storing_since_us: int | None = None
        self._task = asyncio.get_running_loop().create_task(self._run(), name="journal-writer")

    @abstractmethod
    async def _commit(self, requests: Sequence[StoreRequest[Any]]) -> Outcome:
        """One transaction, durable once this returns. Whatever it raises, nothing of it is stored."""

    @abstractmethod
    async def _try(self) -> None:
        """Raises what storing would raise now."""

    @property
    @abstractmethod
    def sealed_facts(self) -> int:
        """How many facts the seal holds."""

    async def _between(self) -> None:  # noqa: B027 - most have nothing to do
        """What is to be done after a group."""

    @property
    def alive(self) -> bool:
        return not self._closing and not self._task.done()

    @property
    def silent(self) -> bool:
        """Does whatever stores the group that is under way give no answer, and is no more known of it? A file's disk
        has no such bound.
        """
        return False

    @property
    def hindered(self) -> JournalUnavailable | None:
        """Why the last group was not stored; None where it was."""
        return self._hindered

    @property
    def hindered_since_us(self) -> int | None:
        """Since when (wall time) nothing is stored; None where it is."""
        return self._hindered_since_us

    def refusal(self) -> JournalUnavailable | None:
        """Why a request would be refused before it comes in line; None where it would not."""
        if not self.alive:
            return JournalUnavailable(f"journal {self._path} is closed; nothing was stored", "closed")
        return None

    @property
    def queue_depth(self) -> int:
        return len(self._line)

    @property
    def waiting_since_us(self) -> int | None:
        """The monotonic instant at which the oldest request came that is not answered; None without one."""
        if self._storing_since_us is not None:
            return self._storing_since_us
        return self._line.since_us

    @property
    def waited_us(self) -> int:
        """How long the oldest request has waited that is not answered; 0 without one."""
        since_us = self.waiting_since_us
        return 0 if since_us is None else max(0, self._clock.monotonic_us() - since_us)

    def health(
        self,
        *,
        fence: int,
        hindrance: Hindrance | None,
        damaged_rows: int,
        database_size_bytes: int,
        wal_size_bytes: int = 0,
        wal_limit_bytes: int = 0,
    ) -> JournalHealth:
        """With what the journal itself knows."""
        counters = self.counters
        return JournalHealth(
            alive=self.alive,
            fence=fence,
            queue_depth=self.queue_depth,
            queue_depth_max=self.queue_depth_max,
            commits=counters.commits,
            rows=counters.rows,
            duplicates=counters.duplicates,
            conflicts=counters.conflicts,
            failures=counters.failures,
            last_commit_monotonic_us=counters.last_commit_monotonic_us,
            last_commit_us=counters.last_commit_us,
            wal_size_bytes=wal_size_bytes,
            wal_limit_bytes=wal_limit_bytes,
            database_size_bytes=database_size_bytes,
            hindrance=hindrance,
            damaged_rows=damaged_rows,
            waiting_us=self.waited_us,
            sealed_facts=self.sealed_facts,
            stale=counters.stale,
        )

    async def submit(self, request: StoreRequest[Answer]) -> Answer:
        """The request's answer, once it is durable. Waits for a place where the queue is full.

        Raises JournalUnavailable (nothing of it was stored), Unstorable or BadFact. A caller that gives up waiting
        leaves its request in line: it may be stored all the same.
        """
        self._refuse_at_once()
        await self._places.acquire()
        try:
            self._refuse_at_once()
        except JournalUnavailable:
            self._places.release()
            raise
        waiting = Waiting(request, asyncio.get_running_loop().create_future(), self._clock.monotonic_us())
        self._line.put(waiting)
        answer: Answer = await waiting.answer
        return answer

    def _refuse_at_once(self) -> None:
        if (refusal := self.refusal()) is not None:
            raise refusal

    def hinder(self, cause: Exception) -> None:
        """Something else than a group showed that nothing can be stored."""
        self._hindered = unavailable(self._path, cause)
        if self._hindered_since_us is None:
            self._hindered_since_us = self._clock.now_us()

    def _goes_on(self) -> None:
        self._hindered = self._hindered_since_us = None

    async def probe(self) -> None:
        """Where the last group was not stored: would one be stored now?"""
        try:
            await self._try()
        except Exception as error:  # noqa: BLE001 - whatever it is, it is what hinders
            self.hinder(error)
        else:
            self._goes_on()

    async def close(self) -> None:
        """Stores what is in line, then ends. New requests are refused from the call on."""
        self._closing = True
        self._line.close()
        await asyncio.wait([self._task])
        self._fail_all(RuntimeError("the writer ended"))

    async def _run(self) -> None:
        while group := await self._line.group():
            self._free(group)
            self._storing_since_us = min(one.since_us for one in group)
            await self._store(group)
            self._storing_since_us = None
            await self._between()

    def _free(self, taken: Sequence[Waiting]) -> None:
        for _ in taken:
            self._places.release()

    async def _store(self, group: Sequence[Waiting]) -> None:
        requests = [waiting.request for waiting in group]
        try:
            outcome = await self._commit(requests)
        except Overtaken as error:
            await self._refuse_overtaken(group, error)
        except Exception as error:  # noqa: BLE001 - whatever it is, callers receive it and the next group is tried
            self.counters.failures += 1
            if not self._is_refused(error):
                self.hinder(error)
                self._fail(group, error)
            elif len(group) == 1:
                self._refuse(group[0], error)
            else:
                # One bad value must not take the others with it.
                for waiting in group:
                    await self._store([waiting])
        else:
            self._goes_on()
            self._count(outcome)
            for waiting, answer in zip(group, outcome.answers, strict=True):
                if not waiting.answer.done():
                    waiting.answer.set_result(answer)

    async def _refuse_overtaken(self, group: Sequence[Waiting], error: Overtaken) -> None:
        """Of a group only who rests on what somebody replaced or added to meanwhile."""
        if len(group) > 1:
            for waiting in group:
                await self._store([waiting])
            return
        self.counters.stale += isinstance(error, StaleRows)
        if not group[0].answer.done():
            group[0].answer.set_exception(error)

    def _count(self, outcome: Outcome) -> None:
        counters = self.counters
        counters.commits += 1
        counters.rows += outcome.rows
        counters.duplicates += outcome.duplicates
        counters.conflicts += outcome.conflicts
        counters.last_commit_monotonic_us = self._clock.monotonic_us()
        counters.last_commit_us = self._clock.now_us()

    def _is_refused(self, error: Exception) -> bool:
        return is_refused(error)

    def _fail_all(self, cause: Exception) -> None:
        """Whoever is in line."""
        taken = self._line.all()
        self._free(taken)
        self._fail(taken, cause)

    def _fail(self, group: Sequence[Waiting], cause: Exception) -> None:
        for waiting in group:
            if not waiting.answer.done():
                waiting.answer.set_exception(unavailable(self._path, cause))

    def _refuse(self, waiting: Waiting, cause: Exception) -> None:
        if waiting.answer.done():
            return
        if isinstance(cause, BadFact):
            waiting.answer.set_exception(cause)
            return
        error = Unstorable(f"journal {self._path} takes no such value: {getattr(cause, 'orig', None) or cause}")
        error.__cause__ = cause
        waiting.answer.set_exception(error)


# A union written in place would be built again at each call.
_REFUSED: Final = (BadFact, IntegrityError, DataError, InterfaceError, OverflowError, UnicodeError, TypeError)


def is_refused(error: Exception) -> bool:
    """Is it the value's fault, so that the same request would fail again?"""
    if isinstance(error, _REFUSED):
        return True
    return isinstance(error, StatementError) and not isinstance(error, DBAPIError)
