"""Gated notices that come in at one worker for a printer that another watches: asked here, answered there.

The answer is the fact that it always was, ReleaseAnswered: who watches the printer stores it once the reading is in
hand, and who holds the sender lets it go when that fact comes (engine/following.py).
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.facts.facts import ReleaseAnswered, ReleaseStarted
from pagereeve.engine.intake.handing_on import Waited, waited_at
from pagereeve.engine.intake.placement import Placed
from pagereeve.engine.intake.storing import Storing
from pagereeve.engine.printers.registry import PrinterRegistry
from pagereeve.engine.printers.watcher import PrinterWatcher
from pagereeve.ports.clock import Clock
from pagereeve.ports.gates import Gate, Gates
from pagereeve.ports.journal import JournalUnavailable

Notice = tuple[str, str]

# For the answer's way back, out of what the sender waits.
BACK_S: Final = 0.25
KNOWN_MAX: Final = 2_000
ANSWERING_MAX: Final = 1_000


@dataclass(slots=True)
class GatesElsewhere:
    """Of senders that wait here. ``answered`` is to be called with each answer that comes."""

    gates: Gates
    _waiting: dict[Notice, list[asyncio.Future[ReleaseAnswered]]] = field(default_factory=dict)
    _known: OrderedDict[Notice, ReleaseAnswered] = field(default_factory=OrderedDict)

    def answered(self, answer: ReleaseAnswered) -> None:
        self._known.setdefault(answer.notice, answer)
        if len(self._known) > KNOWN_MAX:
            self._known.popitem(last=False)
        for one in self._waiting.get(answer.notice, ()):
            if not one.done():
                one.set_result(answer)

    async def wait(self, started: ReleaseStarted, wait_s: float, *, rest: bool, stored: bool) -> Waited:
        """``stored``: this delivery is the first. Of a later one nobody asks, as its job may be let go already; but
        another door may have asked, and what it is told is told here: never sooner.
        """
        notice = started.origin.key
        if (before := self._known.get(notice)) is not None:
            return Waited(before.reading, before.rest, kept=True)
        answer: asyncio.Future[ReleaseAnswered] = asyncio.get_running_loop().create_future()
        self._waiting.setdefault(notice, []).append(answer)
        gate = Gate(started.printer, *notice, started.origin.at_us, wait_s, rest)
        try:
            async with asyncio.timeout(wait_s):
                if stored:
                    await self.gates.ask(gate)
                known = await answer
        except (TimeoutError, JournalUnavailable):
            return Waited("not-waited", "not-rested" if rest else "")
        else:
            return Waited(known.reading, known.rest, kept=True)
        finally:
            self._leave(notice, answer)
            # Whoever gives up waiting has the answer cancelled.
            if stored and (answer.cancelled() or not answer.done()):
                await self._withdraw(gate)

    def _leave(self, notice: Notice, answer: asyncio.Future[ReleaseAnswered]) -> None:
        waiting = self._waiting[notice]
        waiting.remove(answer)
        if not waiting:
            del self._waiting[notice]

    async def _withdraw(self, gate: Gate) -> None:
        try:
            await self.gates.withdraw(gate)
        except JournalUnavailable:
            return  # it ends by itself


@dataclass(slots=True)
class GateAnswers:
    """For senders that wait at other workers: printers that are watched here have their meters read for them."""

    gates: Gates
    registry: PrinterRegistry
    storing: Storing
    clock: Clock
    _heard_us: OrderedDict[Notice, int] = field(default_factory=OrderedDict)
    _tasks: dict[Notice, asyncio.Task[None]] = field(default_factory=dict)

    def heard(self, started: ReleaseStarted) -> None:
        """A notice that came in elsewhere. A read that is sent from now on answers it."""
        self._heard_us.setdefault(started.origin.key, self.clock.monotonic_us())
        if len(self._heard_us) > KNOWN_MAX:
            self._heard_us.popitem(last=False)

    async def look(self) -> None:
        """Raises JournalUnavailable."""
        asked = await self.gates.asked()
        if asked is not None:
            self._follow(asked)

    def _follow(self, asked: Sequence[Gate]) -> None:
        wanted = {one.notice for one in asked}
        for notice, task in list(self._tasks.items()):
            if task.done():
                del self._tasks[notice]
                if not task.cancelled():
                    task.result()
            elif notice not in wanted:
                task.cancel()
        for gate in asked:
            watcher = self.registry.watchers.get(gate.printer)
            if watcher is not None and gate.notice not in self._tasks and len(self._tasks) < ANSWERING_MAX:
                work = self._answer(gate, watcher)
                self._tasks[gate.notice] = asyncio.create_task(work, name=f"answer for {gate.printer}")

    async def _answer(self, gate: Gate, watcher: PrinterWatcher) -> None:
        since_us = self._heard_us.get(gate.notice, self.clock.monotonic_us())
        waited = await waited_at(watcher, gate.notice, max(0.0, gate.left_s - BACK_S), since_us, rest=gate.rest)
        answered = ReleaseAnswered(
            gate.printer, self.clock.now_us(), *gate.notice, gate.started_us, waited.reading, waited.rest
        )
        try:
            if await self.gates.answer(gate):
                await self.storing.store(Placed((answered,), concerns_us=gate.started_us))
        except JournalUnavailable:
            return  # its sender goes on when its time is over

    async def close(self) -> None:
        for task in self._tasks.values():
            task.cancel()
        await asyncio.gather(*self._tasks.values(), return_exceptions=True)
        self._tasks.clear()
