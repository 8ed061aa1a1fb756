"""No task ends unseen: a failed one is reported, counted and restarted; what is stuck is named (keephq/keep#6552)."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable, KeysView, Mapping, Sequence
from contextvars import Context
from dataclasses import dataclass, field

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.engine.supervision.heartbeat import Heartbeat
from pagereeve.ports.clock import Clock
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.telemetry import TaskTelemetry

PAUSE_FIRST_S = 0.5
PAUSE_LONGEST_S = 30.0
AWAY_PAUSE_S = 4.0
TROUBLES_MAX = 5

OnTrouble = Callable[[str, BaseException], None]
Work = Callable[[], Awaitable[None]]


class EndedUnseen(PagereeveError):
    """A loop came to its end, or was cancelled from inside, though nobody stopped it."""


@dataclass(slots=True)
class SupervisedTask:
    """One task. ``failed_us`` and ``ended_us`` are wall time; ``forever``: it must not end by itself. ``on_end`` is
    called when it has ended, however it did.
    """

    kind: str
    name: str
    heartbeat: Heartbeat | None
    forever: bool
    on_end: Callable[[], None] | None = None
    error: str = ""
    failed_us: int | None = None
    ended_us: int | None = None
    task: asyncio.Task[None] | None = None

    def trouble(self) -> str:
        """What is wrong with it and since when; "" if nothing is."""
        if self.ended_us is not None:
            return f"{self.name} ended at {to_text(self.ended_us)} and is not restarted"
        if self.heartbeat is not None and self.heartbeat.stuck:
            return f"{self.name} is stuck since {to_text(self.heartbeat.since_us)}: it {self.heartbeat.doing}"
        if self.failing:
            since = "" if self.failed_us is None else f" since {to_text(self.failed_us)}"
            return f"{self.name} fails{since} ({self.error}) and is restarted; see the log"
        return ""

    @property
    def failing(self) -> bool:
        """From a failure on until the work succeeded again, or, where it doesn't say so, was restarted."""
        return self.failed_us is not None and (self.heartbeat is None or self.heartbeat.failed)

    def is_doubtful(self, now_us: int) -> bool:
        """It may be failing or stalled at that instant (monotonic)."""
        if self.failed_us is not None or self.ended_us is not None:
            return True
        return self.heartbeat is not None and self.heartbeat.until_us is not None and now_us > self.heartbeat.until_us

    @property
    def stalled(self) -> bool:
        """It can't recover: it ended, or is stuck. One that fails is restarted, and is not lost."""
        return self.ended_us is not None or (self.heartbeat is not None and self.heartbeat.stuck)


@dataclass(slots=True)
class Supervisor:
    """``on_trouble(task, error)`` receives each failure; it must not raise. ``ends`` are those that nobody ordered.

    ``kinds`` are counted from the start, at 0; others once there is something to count.
    """

    clock: Clock
    on_trouble: OnTrouble
    kinds: Sequence[str] = ()
    restarts: Counter[str] = field(default_factory=Counter)
    ends: Counter[str] = field(default_factory=Counter)
    # Not shown: each leads to a printer with all that belongs to it.
    _running: dict[asyncio.Task[None], SupervisedTask] = field(default_factory=dict, repr=False)
    _watched: dict[str, SupervisedTask] = field(default_factory=dict, repr=False)
    _stopping: bool = False
    # Of all ends: there are thousands of tasks, and each would have one of its own.
    _context: Context = field(default_factory=Context, repr=False)

    def start(
        self,
        kind: str,
        name: str,
        work: Work,
        *,
        heartbeat: Heartbeat | None = None,
        forever: bool = False,
        on_end: Callable[[], None] | None = None,
    ) -> asyncio.Task[None]:
        """Run ``work`` until it returns; begin it again after a failure, with growing pauses. Counted by ``kind``.

        ``forever``: work that returns has failed. With a ``heartbeat`` the work says what it does, and can be seen to
        be stuck. Whoever cancels the task ends it for good: that is reported as well, unless ``stop`` did it.
        """
        watched = self._watched[name] = SupervisedTask(kind, name, heartbeat, forever, on_end)
        task = watched.task = asyncio.create_task(self._kept(watched, work), name=name)
        self._running[task] = watched
        task.add_done_callback(self._ended, context=self._context)
        return task

    @property
    def tasks(self) -> KeysView[asyncio.Task[None]]:
        """All that have not ended."""
        return self._running.keys()

    @property
    def stopping(self) -> bool:
        return self._stopping

    @property
    def failing(self) -> set[str]:
        """Names of tasks that failed and have not succeeded since."""
        return {one.name for one in self._watched.values() if one.failing}

    def troubles(self) -> list[str]:
        """What is wrong with which task, and since when; empty if all is well. Those that ended come first."""
        now_us = self.clock.monotonic_us()
        # Of thousands of tasks, for each scrape: the clock is asked once.
        doubtful = (one for one in self._watched.values() if one.is_doubtful(now_us))
        wrong = [one for one in doubtful if one.failing or one.stalled]
        return [one.trouble() for one in sorted(wrong, key=lambda one: (one.ended_us is None, one.name))]

    def trouble(self) -> str:
        """The first TROUBLES_MAX of them in one line, and how many more; "" if all is well."""
        troubles = self.troubles()
        if not troubles:
            return ""
        more = f"; and {len(troubles) - TROUBLES_MAX} more" if len(troubles) > TROUBLES_MAX else ""
        return f"{len(troubles)} not at work: {'; '.join(troubles[:TROUBLES_MAX])}{more}"

    def telemetry(self) -> TaskTelemetry:
        none = dict.fromkeys(self.kinds, 0)
        return TaskTelemetry(none | dict(self.restarts), none | dict(self.ends), self.last_success_us())

    def stalled_kinds(self) -> list[str]:
        """Kinds of work that must go on and of which no task does any more: one stuck watcher among others is none."""
        going: dict[str, bool] = {}
        for one in self._watched.values():
            if one.forever:
                going[one.kind] = going.get(one.kind, False) or not one.stalled
        return sorted(kind for kind, goes in going.items() if not goes)

    def last_success_us(self) -> Mapping[str, int]:
        """By kind, when a task of it last came round (wall time); a kind of which none has is absent."""
        latest: dict[str, int] = {}
        for one in self._watched.values():
            success_us = None if one.heartbeat is None else one.heartbeat.success_us
            if success_us is not None:
                latest[one.kind] = max(latest.get(one.kind, 0), success_us)
        return latest

    async def _kept(self, watched: SupervisedTask, work: Work) -> None:
        pause_s, begun_us = 0.0, 0
        while True:
            try:
                # In here: a coroutine of its own would be kept by each of thousands of tasks that rest.
                try:
                    await work()
                except asyncio.CancelledError as error:
                    if _was_ordered():
                        raise
                    raise EndedUnseen("it was cancelled from inside") from error
                if watched.forever:
                    raise EndedUnseen("it returned, and should go on forever")  # noqa: TRY301 - see above
            except Exception as error:  # noqa: BLE001 - whatever it is, it is reported, counted, and the work restarted
                if isinstance(error, EndedUnseen):
                    self.ends[watched.kind] += 1
                self._note(watched, error)
                pause_s = self._pause_s(pause_s, begun_us)
                begun_us = self.clock.monotonic_us() + int(pause_s * SECOND_US)
                is_away = isinstance(error, JournalUnavailable) and error.hindrance == "away"
            else:
                return
            # Where the journal's database is away it costs nobody anything to try, and when it is back nothing should
            # stand still.
            await self.clock.sleep(min(pause_s, AWAY_PAUSE_S) if is_away else pause_s)
            if watched.heartbeat is None:
                watched.failed_us = None

    def _note(self, watched: SupervisedTask, error: Exception) -> None:
        self.on_trouble(watched.name, error)
        self.restarts[watched.kind] += 1
        if not watched.failing:
            watched.failed_us = self.clock.now_us()
        watched.error = type(error).__name__
        if watched.heartbeat is not None:
            watched.heartbeat.fails(PAUSE_LONGEST_S)

    def _pause_s(self, before_s: float, begun_us: int) -> float:
        """Longer after each failure; the shortest again after work that went well for a while."""
        went_well = self.clock.monotonic_us() - begun_us > PAUSE_LONGEST_S * SECOND_US
        return PAUSE_FIRST_S if went_well or not before_s else min(before_s * 2, PAUSE_LONGEST_S)

    def _ended(self, task: asyncio.Task[None]) -> None:
        """By itself, as it may; or by somebody who cancelled it, which must be seen."""
        watched = self._running.pop(task)
        if watched.forever and not self._stopping:
            self.ends[watched.kind] += 1
            watched.ended_us = self.clock.now_us()
        elif self._watched.get(watched.name) is watched:
            del self._watched[watched.name]
        if watched.on_end is not None:
            watched.on_end()

    async def end(self, name: str) -> None:
        """Cancel one task and wait for it: an order, and no end unseen. Nothing where there is no such task."""
        watched = self._watched.get(name)
        if watched is None or watched.task is None:
            return
        watched.forever = False
        watched.task.cancel()
        await asyncio.gather(watched.task, return_exceptions=True)
        self._watched.pop(name, None)

    async def stop(self) -> None:
        """Cancel everything and wait for it."""
        self._stopping = True
        tasks = list(self.tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def _was_ordered() -> bool:
    """Whether somebody asked the task that runs now to cancel."""
    task = asyncio.current_task()
    return task is None or task.cancelling() > 0
