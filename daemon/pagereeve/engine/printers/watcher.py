"""One printer's owner: it alone reads the meter, records what came, and keeps the printer's projector."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from pagereeve.domain.brackets.plateaus import record
from pagereeve.domain.brackets.timeline import started_again
from pagereeve.domain.facts.facts import Fact, PlateauRead, PolicySet, ReadFailed, ReleaseStarted, SettleLearned
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Failure, Reading
from pagereeve.domain.projection.projector import PrinterProjector, concerns_us
from pagereeve.domain.projection.running_totals import RunningTotals
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.counters import EngineCounters
from pagereeve.engine.printers.loading import open_projector
from pagereeve.engine.printers.polling import PollPolicy, PollState, next_interval_s
from pagereeve.engine.printers.settle_learning import SettleLearner
from pagereeve.engine.supervision.heartbeat import GRACE_S, OPEN_LONGEST_S, STORE_LONGEST_S, WAKE_EVERY_S, Heartbeat
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy
from pagereeve.ports.meter import Meter, MeterTarget
from pagereeve.ports.store import Store

INBOX_MAX = 1_000
TAKEN_AT_ONCE_MAX = 200
# A plateau that only grows is written down this often; sooner when a row of the ledger rests on it.
OBSERVE_EVERY_US = 5 * SECOND_US
# The second reading of a sight, or the second failure in a row, still proves something; the third no more.
SETTLED_BY = 2
FOREVER_US = 2**62
# A meter that stays silent for days leaves a long stretch open; projecting it may take this share of the time, no more.
SETTLE_LONG_US = 10_000
SETTLE_SHARE = 50
# A printer that nobody registered has no meter to read: its watcher leaves after this long without an event.
IDLE_STRANGER_S = 600.0

ReadListener = Callable[[str, Reading | Failure], None]
LearnListener = Callable[[str, int], None]


@dataclass(frozen=True, slots=True)
class WatcherContext:
    """What every watcher works with."""

    store: Store
    meter: Meter
    clock: Clock
    entropy: Entropy
    poll_policy: PollPolicy
    counters: EngineCounters
    on_read: ReadListener | None = None
    on_learned: LearnListener | None = None
    first_spread_s: float = 30.0


@dataclass(frozen=True, slots=True)
class Arrival:
    """A new fact; for a release's notice also all start notices of that release, the earliest first.

    ``concerns_us`` is the earliest instant whose rows it may change, where somebody knows better than the fact itself.
    """

    fact: Fact
    starts: Sequence[ReleaseStarted] = ()
    concerns_us: int | None = None


@dataclass(slots=True)
class Gate:
    """A gated release waits for a reading that was asked for after its notice came."""

    asked_us: int
    answer: asyncio.Future[Reading | Failure]


@dataclass(slots=True)
class PrinterWatcher:
    """``target`` and ``policy`` are None for a printer that is not in the registry: it has a projector, but no
    meter.
    """

    printer: str
    around: WatcherContext
    target: MeterTarget | None = None
    policy: Policy | None = None
    projector: PrinterProjector | None = None
    running_totals: RunningTotals = field(default_factory=RunningTotals)
    last: Reading | Failure | None = None
    last_good: Reading | None = None
    last_done_us: int | None = None
    heartbeat: Heartbeat = field(init=False)
    learner: SettleLearner = field(default_factory=SettleLearner)
    _current: PlateauRead | ReadFailed | None = None
    _observed: PlateauRead | ReadFailed | None = None
    _observed_us: int = 0
    _quiet_until_us: int = 0
    _advance_from_us: int = 0
    _put_off: bool = False
    _inbox: asyncio.Queue[Arrival] = field(default_factory=lambda: asyncio.Queue(maxsize=INBOX_MAX))
    _awake: asyncio.Event = field(default_factory=asyncio.Event)
    _gates: list[Gate] = field(default_factory=list)
    _read_asked: bool = False
    _due_us: int = 0
    _interval_s: float = 0.0
    _failures: int = 0
    _stirred: bool = False
    _dirty: bool = False
    _begin_again_us: int | None = None

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.around.clock)

    def begin_again(self, before_us: int) -> None:
        """Something was written to this timeline without the watcher: read it again from before that instant."""
        known_us = before_us if self._begin_again_us is None else self._begin_again_us
        self._begin_again_us = min(known_us, before_us)
        self._call()

    def ask_for_reading(self) -> None:
        """The meter is about to move: read it as soon as the last request has ended."""
        self._read_asked = True
        self._call()

    async def take(self, arrival: Arrival) -> None:
        """Hand over a fact that is durable already. Waits while the inbox is full: that holds back the sender."""
        await self._inbox.put(arrival)
        self._stirred = True
        self._call()

    def _call(self) -> None:
        self._awake.set()
        self.heartbeat.called()

    async def reading(self, wait_s: float) -> Reading | Failure | None:
        """A read asked for from now on; None where none was in hand within ``wait_s``, or there is no meter."""
        if self.target is None:
            return None
        gate = Gate(self.around.clock.monotonic_us(), asyncio.get_running_loop().create_future())
        self._gates.append(gate)
        self.ask_for_reading()
        try:
            async with asyncio.timeout(wait_s):
                return await gate.answer
        except TimeoutError:
            return None
        finally:
            self._gates = [one for one in self._gates if one is not gate]

    async def run(self) -> None:
        """Own the printer until cancelled (or, for a stranger, until nothing has come for a while)."""
        await self._open()
        while True:
            if not await self._wait():
                return
            self.heartbeat.does("stores what came", STORE_LONGEST_S)
            heard = await self._take_facts()
            if self.target is None:
                await self._advance()
            elif self._is_due():
                await self._read(self.target)
                await self._advance()
                self._schedule()
            elif self._put_off:
                await self._advance()
                self._schedule()
            elif heard:
                # Projected with the next reading, which comes soon: both change the same rows.
                self._due_us = min(self._due_us, self._soon_us())
            self.heartbeat.succeeded()

    async def finish(self) -> None:
        """After ``run`` was cancelled, wherever it was: leave the rows as the journal has them."""
        if self._dirty or not self._inbox.empty() or self._begin_again_us is not None:
            await self._load()
            self._dirty, self._advance_from_us = True, 0
            await self._advance()

    async def _load(self) -> PrinterProjector:
        around = self.around
        self.heartbeat.does("reads its rows from the journal", OPEN_LONGEST_S)
        self.projector = await open_projector(around.store, self.printer)
        self.running_totals = await around.store.running_totals(self.printer, self.projector.anchor_us)
        known = await around.store.open_run(self.printer)
        self._current = self._observed = None if known is None else known.fact
        self.projector.open_run(self._current)
        self.last_good = self.last_good or reading_of(self._current) or reading_of(self.projector.last_read())
        return self.projector

    async def _open(self) -> None:
        around = self.around
        projector = await self._load()
        policies = projector.rules.policies
        if self.policy is not None and (not policies or policies[-1].policy != self.policy):
            fact = PolicySet(self.printer, around.clock.now_us(), self.policy)
            await around.store.append(fact)
            projector.add(fact)
        self._dirty = True
        await self._advance()
        self._schedule()
        spread_s = 0.0 if self._open_windows() else around.first_spread_s * around.entropy.jitter()
        self._due_us = around.clock.monotonic_us() + int(spread_s * SECOND_US)
        if self._read_asked:
            self._awake.set()

    async def _wait(self) -> bool:
        """Until something came or a read is due. False: this stranger may go."""
        timeout_s = IDLE_STRANGER_S if self.target is None else self._seconds_to(self._due_us)
        if self._put_off:
            timeout_s = min(timeout_s, self._seconds_to(self._advance_from_us))
        if self._inbox.empty() and not self._awake.is_set() and not await self._rest(timeout_s):
            return self.target is not None or self._put_off
        self._awake.clear()
        return True

    async def _rest(self, longest_s: float) -> bool:
        """Until somebody calls; False after so long. It reports now and then, so that idle differs from dead."""
        ends_us = self.around.clock.monotonic_us() + int(longest_s * SECOND_US)
        while True:
            left_s = self._seconds_to(ends_us)
            self.heartbeat.rests(min(left_s, WAKE_EVERY_S))
            try:
                async with asyncio.timeout(min(left_s, WAKE_EVERY_S)):
                    await self._awake.wait()
            except TimeoutError:
                self.heartbeat.idled()
                if left_s <= WAKE_EVERY_S:
                    return False
            else:
                return True

    def _seconds_to(self, at_us: int) -> float:
        return max(0.0, (at_us - self.around.clock.monotonic_us()) / SECOND_US)

    def _soon_us(self) -> int:
        return self.around.clock.monotonic_us() + int(self.around.poll_policy.first_s * SECOND_US)

    def _is_due(self) -> bool:
        return self._read_asked or self.around.clock.monotonic_us() >= self._due_us

    async def _take_facts(self) -> bool:
        """Take what has come, a bounded number at once; False if nothing had."""
        heard = self._begin_again_us is not None or not self._inbox.empty()
        if self._begin_again_us is not None:
            before_us, self._begin_again_us = self._begin_again_us, None
            await self._rewind(before_us)
        for _ in range(TAKEN_AT_ONCE_MAX):
            if self._inbox.empty():
                return heard
            await self._add(self._inbox.get_nowait())
        self._awake.set()
        return heard

    async def _add(self, arrival: Arrival) -> None:
        projector, fact = self._projector(), arrival.fact
        self._dirty = True
        starts = [one for one in arrival.starts if one.printer == self.printer]
        again = started_again(starts).get(fact.origin.key) if isinstance(fact, ReleaseStarted) else None
        at_us = concerns_us(fact, starts) if arrival.concerns_us is None else arrival.concerns_us
        late = projector.is_late(fact, again=again is not None)
        if arrival.concerns_us is not None and projector.resume_point is not None:
            late = arrival.concerns_us <= projector.resume_point.at_us
        if late:
            await self._rewind(at_us)
        else:
            projector.add(fact, again=again)

    async def _rewind(self, before_us: int) -> None:
        """Project again from the last resume point before an instant; the journal has the late fact already."""
        self.around.counters.rewinds += 1
        self._dirty = True
        self.heartbeat.does("reads its rows from the journal", OPEN_LONGEST_S)
        self.projector = await open_projector(self.around.store, self.printer, before_us=before_us)
        self.running_totals = await self.around.store.running_totals(self.printer, self.projector.anchor_us)
        self.projector.open_run(self._current)

    async def _read(self, target: MeterTarget) -> None:
        around = self.around
        self._read_asked = False
        sent_us = around.clock.monotonic_us()
        self.heartbeat.does("waits for its meter", around.poll_policy.timeout_s + GRACE_S)
        result = await around.meter.read(target, around.poll_policy.timeout_s)
        self.heartbeat.does("stores what it read", STORE_LONGEST_S)
        recorded = record(self.printer, self._current, result)
        sealed = [] if recorded.sealed is None else [recorded.sealed]
        if sealed or self._current is None or sent_us - self._observed_us > OBSERVE_EVERY_US:
            await self._observe(sealed, recorded.current)
        projector = self._projector()
        for fact in sealed:
            projector.add(fact)
        projector.open_run(recorded.current)
        self._stirred = self._stirred or (bool(sealed) and isinstance(recorded.current, PlateauRead))
        self._current = recorded.current
        same = not sealed and _times(recorded.current) > SETTLED_BY
        self._dirty = self._dirty or not same or result.received_us >= self._quiet_until_us
        self._note(result)
        for gate in self._gates:
            if gate.asked_us <= sent_us and not gate.answer.done():
                gate.answer.set_result(result)

    async def _observe(self, sealed: Sequence[Fact], current: PlateauRead | ReadFailed) -> None:
        """Make durable what the meter did and does: finished runs as facts, the growing one in its place."""
        await self.around.store.observe(self.printer, sealed, current)
        self._observed = current
        self._observed_us = self.around.clock.monotonic_us()

    def _note(self, result: Reading | Failure) -> None:
        self.last = result
        self.last_done_us = self.around.clock.monotonic_us()
        if isinstance(result, Reading):
            self._failures = 0
            self.last_good = result
        else:
            self._failures += 1
        if self.around.on_read is not None:
            self.around.on_read(self.printer, result)

    async def _advance(self) -> None:
        """Project the open stretch and store what changed."""
        began_us = self.around.clock.monotonic_us()
        self._put_off = self._dirty and began_us < self._advance_from_us
        if not self._dirty or self._put_off:
            return
        update = self._projector().advance()
        self.around.counters.projections += 1
        took_us = self.around.clock.monotonic_us() - began_us
        self._advance_from_us = began_us + (took_us * SETTLE_SHARE if took_us > SETTLE_LONG_US else 0)
        if update is not None:
            if self._current is not None and self._current is not self._observed:
                # No row may rest on a reading that the journal does not hold.
                await self._observe([], self._current)
            await self.around.store.replace(self.printer, update.from_anchor_us, update.segments)
            self.running_totals.add(update)
        self._dirty = False
        self._quiet_until_us = self._next_change_us()
        await self._learn()

    async def _learn(self) -> None:
        """A settle time that the printer's own behaviour asks for; it holds for releases that start from now on."""
        projector, now_us = self._projector(), self.around.clock.now_us()
        if projector.view is None or not self.learner.look(projector.view):
            return
        wanted_us = self.learner.wanted_us(projector.rules, now_us)
        if wanted_us is None or not projector.rules.registered:
            return
        fact = SettleLearned(self.printer, now_us, wanted_us)
        await self.around.store.append(fact)
        projector.add(fact)
        if self.around.on_learned is not None:
            self.around.on_learned(self.printer, wanted_us)

    def _next_change_us(self) -> int:
        """Until when more of the same sight can change no row: it closes no window, and is no second witness."""
        view = self._projector().view
        if view is None or view.runs.pending is not None:
            return 0
        waiting = [window for window in view.windows if window.closes_us is None]
        limits = [window.release.start_us + window.release.policy.longest_us for window in waiting]
        return min([*limits, *(window.due_us for window in waiting if window.due_us is not None)], default=FOREVER_US)

    def _schedule(self) -> None:
        clock = self.around.clock
        projector = self._projector()
        open_starts = self._open_windows()
        pending = projector.view is not None and projector.view.runs.pending is not None
        now_us = clock.now_us()
        watching = self.learner.watch_until_us > now_us
        poll_state = PollState(
            waiting=bool(open_starts) or pending or watching,
            oldest_wait_s=max((now_us - start_us for start_us in open_starts), default=0) / SECOND_US,
            due_s=self._due_s(now_us),
            interval_s=self._interval_s,
            stirred=self._stirred or pending,
            failures=self._failures,
        )
        self._interval_s = next_interval_s(self.around.poll_policy, poll_state, self.around.entropy.jitter())
        self._stirred = False
        since_us = clock.monotonic_us() if self.last_done_us is None else self.last_done_us
        self._due_us = since_us + int(self._interval_s * SECOND_US)

    def _due_s(self, now_us: int) -> float | None:
        view = self._projector().view
        dues = [] if view is None else [window.due_us for window in view.windows if window.due_us is not None]
        return max(0.0, (min(dues) - now_us) / SECOND_US) if dues else None

    def _open_windows(self) -> list[int]:
        """Starts of the windows that wait for the meter to rest."""
        view = self._projector().view
        if view is None:
            return []
        return [window.release.start_us for window in view.windows if window.closes_us is None]

    def settle_us(self) -> int | None:
        """The settle time in force for a release that starts now; None before the printer's rows are read."""
        return None if self.projector is None else self.projector.rules.settle_us(self.around.clock.now_us())

    def open_windows(self) -> int:
        return 0 if self.projector is None else len(self._open_windows())

    def _projector(self) -> PrinterProjector:
        if self.projector is None:
            raise RuntimeError(f"the rows of {self.printer} are not read yet")
        return self.projector


def reading_of(run: Fact | None) -> Reading | None:
    """The last reading of a run, for a watcher that has not read yet; None where it is no good one."""
    if not isinstance(run, PlateauRead):
        return None
    plateau = run.plateau
    return Reading(
        plateau.last_sent_us, plateau.last_received_us, plateau.sight, plateau.last_uptime_cs, plateau.last_power_on
    )


def _times(current: PlateauRead | ReadFailed) -> int:
    return current.plateau.count if isinstance(current, PlateauRead) else current.silence.count
