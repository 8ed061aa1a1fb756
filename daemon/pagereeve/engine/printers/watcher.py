"""One printer's owner: it alone reads the meter, records what came, and keeps the printer's rows."""

from __future__ import annotations

import asyncio
from dataclasses import InitVar, dataclass, field, replace
from typing import Final

from pagereeve.domain.brackets.timeline import EventKey, started_again
from pagereeve.domain.facts.facts import PlateauRead, PolicySet, ReleaseAnswered, ReleaseStarted
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Failure, Reading, SilenceReason
from pagereeve.domain.projection.projector import PrinterProjector
from pagereeve.domain.projection.running_totals import RunningTotals
from pagereeve.engine.ledger_updater import LedgerUpdater
from pagereeve.engine.printers.arrivals import GATHERED, Arrival
from pagereeve.engine.printers.context import WatcherContext
from pagereeve.engine.printers.figures import figures_of
from pagereeve.engine.printers.inbox import Inbox
from pagereeve.engine.printers.job_looks import JobLooks
from pagereeve.engine.printers.loading import open_projector
from pagereeve.engine.printers.meter_reads import MeterReads
from pagereeve.engine.printers.open_windows import NOTHING_OPEN, OpenWindows
from pagereeve.engine.printers.poll_schedule import PollSchedule
from pagereeve.engine.printers.reading_recorder import ReadingRecorder
from pagereeve.engine.printers.rest_queue import FAILURES_MAX, RestQueue
from pagereeve.engine.printers.settle_learning import SettleLearner
from pagereeve.engine.supervision.heartbeat import GRACE_S, STORE_LONGEST_S, Heartbeat
from pagereeve.engine.supervision.wakeup import Wakeup
from pagereeve.ports.jobs import JobWitness
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.meter import MeterTarget
from pagereeve.ports.telemetry import PrinterTelemetry

INBOX_MAX = 5_000
TAKEN_AT_ONCE_MAX = 200
# Notices come in pairs, and the count moves in between: the rows wait for what else comes, so many of the shortest
# intervals between reads.
GATHERED_INTERVALS = 2.5
# A printer that nobody registered has no meter to read: its watcher leaves after this long without an event.
IDLE_STRANGER_S = 600.0
# And after this long where others wait for its place.
HURRIED_STRANGER_S = 1.0

# Nothing came from the printer itself: its gateway may be what is down.
UNHEARD: Final = frozenset(
    {SilenceReason.TIMEOUT, SilenceReason.ASLEEP, SilenceReason.UNREACHABLE, SilenceReason.REFUSED}
)


@dataclass(slots=True)
class PrinterWatcher:
    """``target`` and ``policy`` are None for a printer that is not in the registry: it has a projector, but no
    meter. ``target`` alone is None where people read the panel. ``seen`` is the last good reading that is known before
    the first one; ``gateway`` the box in front of it. ``unwritten``: the journal holds nothing of it, so that nothing
    need be read when it begins; what comes meanwhile is handed over.
    """

    printer: str
    around: WatcherContext
    target: MeterTarget | None = None
    policy: Policy | None = None
    seen: InitVar[Reading | None] = None
    gateway: str = ""
    unwritten: bool = False
    heartbeat: Heartbeat = field(init=False)
    recorder: ReadingRecorder = field(init=False)
    updater: LedgerUpdater[PrinterProjector] = field(init=False)
    schedule: PollSchedule = field(init=False)
    reads: MeterReads = field(init=False)
    rest_queue: RestQueue = field(init=False)
    learner: SettleLearner = field(default_factory=SettleLearner)
    job_looks: JobLooks = field(init=False)
    _wakeup: Wakeup = field(init=False)
    _windows: OpenWindows = NOTHING_OPEN
    _policy_due: bool = False
    _rest_asked: bool = False
    _away: bool = False
    _idle_s: float = IDLE_STRANGER_S
    _inbox: Inbox = field(default_factory=lambda: Inbox(INBOX_MAX))

    def __post_init__(self, seen: Reading | None) -> None:
        around = self.around
        self.heartbeat = Heartbeat(around.clock)
        self.recorder = ReadingRecorder(self.printer, around.store, around.clock, last_good=seen)
        self.recorder.apart, self.recorder.spool, self.recorder.held = around.apart, around.spool, around.held
        self.updater = LedgerUpdater(self.printer, around.store, around.clock, self.heartbeat, self._projector_before)
        self.updater.on_archive = around.on_archive
        self.schedule = PollSchedule(around.clock, around.entropy, around.poll_policy, around.pressed)
        self.reads = MeterReads(around.meter, self.schedule)
        self.rest_queue = RestQueue(around.clock)
        self.job_looks = JobLooks(self.printer, around.clock)
        self._wakeup = Wakeup(around.clock, self.heartbeat)

    @property
    def projector(self) -> PrinterProjector | None:
        return self.updater.projector

    @property
    def registered(self) -> bool:
        return self.target is not None or self.policy is not None

    @property
    def running_totals(self) -> RunningTotals:
        return self.updater.running_totals

    @property
    def last(self) -> Reading | Failure | None:
        return self.recorder.last

    @property
    def last_good(self) -> Reading | None:
        return self.recorder.last_good

    def begin_again(self, before_us: int) -> None:
        """Something was written to this timeline without the watcher: read it again from before that instant."""
        self.updater.begin_again(before_us)
        self._wakeup.call()

    def look_again(self) -> None:
        self._wakeup.call()

    def leave_when_done(self) -> None:
        """A stranger: others wait for its place."""
        self._idle_s = HURRIED_STRANGER_S
        self._wakeup.call()

    def ask_for_reading(self, since_us: int | None = None) -> None:
        """The meter is about to move: read it now, whatever the watcher does, or as soon as the last read has ended;
        unless a read was sent at ``since_us`` (monotonic) or later, whoever had it sent.
        """
        if since_us is not None and (self.reads.serves(since_us) or self.schedule.in_hand(since_us) is not None):
            return
        self.schedule.ask()
        self._begin_read()

    def change(self, target: MeterTarget | None, policy: Policy, gateway: str, *, read: bool) -> None:
        """The settings say otherwise from now on: the meter is read as they say, and a new policy becomes a fact."""
        self.target, self.policy, self.gateway, self._policy_due = target, policy, gateway, True
        if read:
            self.schedule.ask()
        self._wakeup.call()

    @property
    def left_something(self) -> bool:
        """Facts came that nobody has projected."""
        return self.updater.dirty or len(self._inbox) > 0

    def take(self, arrival: Arrival) -> None:
        """Hand over a fact that is durable already. Never waits: beyond INBOX_MAX it is read again from there."""
        if self._inbox.is_full:
            self.updater.begin_again(arrival.concerned_us(self.printer))
        else:
            self._inbox.put(arrival)
        self._wakeup.call()

    def _begin_read(self) -> None:
        if self.target is not None and self.projector is not None:
            self.reads.begin(self.target)
        self._wakeup.call()

    async def reading(self, wait_s: float, since_us: int) -> Reading | Failure | None:
        """A read sent at ``since_us`` (monotonic) or later; None without a meter, or where none came within ``wait_s``.

        Where too many wait already, nobody else does: at a silent meter the last failure is the answer.
        """
        if self.target is None:
            return None
        if (known := self.schedule.in_hand(since_us)) is not None:
            return known
        gate = self.schedule.open_gate(since_us)
        if gate is None:
            return self.last if self.schedule.failures else None
        self.ask_for_reading(since_us)
        try:
            async with asyncio.timeout(wait_s):
                return await gate.answer
        except TimeoutError:
            return None
        finally:
            self.schedule.close_gate(gate)

    async def rest(self, notice: EventKey, wait_s: float, since_us: int) -> bool:
        """Whether, within ``wait_s``, all releases answered before that start notice, which came at ``since_us``
        (monotonic), came to rest.

        Who asks first is answered first, one at a time. A meter that does not answer holds nobody.
        """
        if self.target is None or self.schedule.failures >= FAILURES_MAX:
            return False
        waiter = self.rest_queue.join(notice, since_us)
        if waiter is None:
            return False
        self.ask_for_reading(since_us)
        # Where the reading is in hand, rows that know the notice are all that is lacking.
        self._rest_asked = True
        self.updater.hurry()
        self._wakeup.call()
        return await self.rest_queue.answer(waiter, wait_s)

    def settle_us(self) -> int | None:
        """The settle time in force for a release that starts now; None before the printer's rows are read."""
        return None if self.projector is None else self.projector.rules.settle_us(self.around.clock.now_us())

    def open_windows(self) -> int:
        return 0 if self.projector is None else len(self.projector.open_starts())

    def telemetry(self) -> PrinterTelemetry:
        return figures_of(self.recorder, self.updater, self.schedule, gateway=self.gateway, policy=self.policy)

    async def run(self) -> None:
        """Own the printer until cancelled (or, for a stranger, until nothing has come for a while).

        Each turn in this order: facts, reading, projection, storing.
        """
        await self._open()
        # In one expression: what is awaited further in is kept for each of thousands that rest.
        while len(self._inbox) or await self._wakeup.rest(self._rest_s()) or self.registered or self.updater.put_off:
            self._wakeup.clear()
            self.heartbeat.does("stores what came", STORE_LONGEST_S)
            if not self._away or await self._is_back():
                try:
                    await self._turn()
                except JournalUnavailable as error:
                    if self.around.spool is None or error.hindrance != "away":
                        raise
                    # What it was doing is done again once the journal is back, from what that holds.
                    self._away = True
                    await self.recorder.shelter()
            if self._away:
                await self._turn_without_journal()
            self._answer_rested()
            self.heartbeat.succeeded()

    async def _turn(self) -> None:
        heard = await self._take_facts()
        if self._policy_due:
            await self._set_policy()
        if self.target is None:
            await self._advance()
        elif self.reads.under_way or self.schedule.is_due():
            await self._observe(self.target)
            self._plan()
        elif self._rest_asked or (self.updater.put_off and self.updater.may_project()):
            await self._advance()
            self._plan()
        elif heard:
            # Projected with the next reading, which comes soon: both change the same rows.
            self.schedule.soon()

    async def _turn_without_journal(self) -> None:
        """What is read waits in the spool. Rows are projected to see what is open; they are stored when it is back."""
        self._hear(TAKEN_AT_ONCE_MAX)
        if self.target is not None and (self.reads.under_way or self.schedule.is_due()):
            await self._read(self.target)
        await self.recorder.shelter(due_only=True)
        if self.updater.may_project():
            async with self.around.projecting:
                self.updater.project()
                await asyncio.sleep(0)
            self._windows = OpenWindows.of(self.updater.opened().view)
        self._rest_asked = False
        self._plan()

    async def _is_back(self) -> bool:
        """Whether the journal is, with all that was read meanwhile, and the rows are as it has them."""
        if self.around.is_away():
            return False
        try:
            await self.recorder.keep_all()
            await self._load()
        except JournalUnavailable:
            return False
        self._away = False
        self.schedule.stir()
        return True

    async def finish(self) -> None:
        """After ``run`` was cancelled, wherever it was: leave the rows as the journal has them; where its database is
        away, what was read waits in the spool, and rows follow at the next start.
        """
        await self.reads.drop()
        try:
            await self._leave()
        except JournalUnavailable as error:
            if self.around.spool is None or error.hindrance != "away":
                raise
            await self.recorder.shelter()

    async def _leave(self) -> None:
        await self.recorder.keep_due()
        if self.updater.dirty or self.recorder.in_doubt or len(self._inbox):
            if self.projector is not None:
                self._hear(INBOX_MAX)
            await self._load()
            await self.updater.finish()

    async def _projector_before(self, before_us: int) -> PrinterProjector:
        async with self.around.openings:
            projector = await open_projector(self.around.store, self.printer, before_us, self.recorder.brought)
        projector.open_run(self.recorder.current)
        return projector

    async def _load(self) -> PrinterProjector:
        await self.recorder.bring()  # before the journal is read
        projector = await self.updater.open()
        projector.open_run(await self.recorder.load())
        self.recorder.remember(projector.last_read())
        return projector

    async def _open(self) -> None:
        if self.unwritten and not self.recorder.spooled:
            self.unwritten = False
            self.updater.begin(PrinterProjector.reopened(self.printer, Rules.of(()), None, ()))
        else:
            await self._load()
        await self._set_policy()
        await self._advance()
        self._plan()
        self.schedule.first_within(0.0 if self._windows.starts_us else self.around.first_spread_s)
        if self.schedule.read_asked:
            self._wakeup.again()

    async def _set_policy(self) -> None:
        """A policy that is other than the one in force becomes a fact with a date: it counts from now on."""
        projector, now_us = self.updater.opened(), self.around.clock.now_us()
        policies = projector.rules.policies
        if self.policy is not None and (not policies or policies[-1].policy != self.policy):
            fact = PolicySet(self.printer, now_us, self.policy)
            await self.around.store.append(fact)
            projector.add(fact)
            self.updater.changed()
        counter = "" if self.target is None else self.target.counter
        if counter != self.learner.counter:
            self.learner.counter = counter
            self.updater.changed()
        self._policy_due = False

    def _rest_s(self) -> float:
        """Until a read or a projection is due; a stranger to whom nothing came by then may go."""
        rest_s = self._idle_s if self.target is None else self.schedule.due_in_s()
        return min(rest_s, self.updater.put_off_s()) if self.updater.put_off else rest_s

    async def _take_facts(self) -> bool:
        """Take what has come, a bounded number at once; False if nothing had."""
        heard = self._hear(TAKEN_AT_ONCE_MAX)
        reopens = self.updater.is_to_reopen()
        if heard or reopens:
            # Not before: a plan made meanwhile knows nothing of it, and would let it be forgotten.
            self.schedule.stir()
        if len(self._inbox):
            self._wakeup.again()
        if not reopens:
            return heard
        self.around.counters.rewinds += 1
        await self.updater.reopen()
        return True

    def _hear(self, most: int) -> bool:
        """Facts that come late are in the journal already, and are read from there."""
        for _ in range(count := min(most, len(self._inbox))):
            self._add(self._inbox.take())
        return count > 0

    def _add(self, arrival: Arrival) -> None:
        projector, fact = self.updater.opened(), arrival.fact
        if isinstance(fact, ReleaseAnswered):
            self.rest_queue.heard(fact.notice)
        starts = arrival.starts_at(self.printer)
        again = started_again(starts).get(fact.origin.key) if isinstance(fact, ReleaseStarted) else None
        at_us = arrival.concerned_us(self.printer)
        late = projector.is_late(fact, again=again is not None)
        if arrival.concerns_us is not None and projector.resume_point is not None:
            late = arrival.concerns_us <= projector.resume_point.at_us
        if late:
            self.updater.begin_again(at_us)
        else:
            projector.add(fact, again=again)
            gathers = isinstance(fact, GATHERED) and self.target is not None and not len(self.rest_queue)
            self.updater.changed(self._gather_s() if gathers else 0.0)

    def _gather_s(self) -> float:
        return GATHERED_INTERVALS * self.around.poll_policy.first_s

    async def _observe(self, target: MeterTarget) -> None:
        """What was read is stored with its rows, and without them where they can't be."""
        try:
            await self._read(target)
            await self._advance()
        except JournalUnavailable:
            raise
        except Exception:
            await self.recorder.keep_due()
            raise

    async def _read(self, target: MeterTarget) -> None:
        around = self.around
        self.heartbeat.does("waits for its meter", around.poll_policy.timeout_s + GRACE_S)
        result, sent_us = await self.reads.result(target)
        if isinstance(result, Failure) and result.reason in UNHEARD and around.gateways is not None and self.gateway:
            self.heartbeat.does("asks whether its gateway answers", GRACE_S)
            result = replace(result, gateway=await around.gateways.word(self.gateway))
        taken = self.recorder.take(result, sent_us)
        projector = self.updater.opened()
        for fact in taken.sealed:
            projector.add(fact)
        projector.open_run(taken.current)
        if taken.sealed and isinstance(taken.current, PlateauRead):
            self.schedule.stir()
        if result.received_us >= self._windows.quiet_until_us or len(self.rest_queue):
            self.updater.changed()
        elif not taken.same:
            self.updater.changed(self._gather_s() if taken.moved and projector.open_starts() else 0.0)
        self.recorder.note(result)
        if around.on_read is not None:
            around.on_read(self.printer, result)
        self.schedule.ended(result, sent_us)
        if around.jobs is not None and isinstance(result, Reading) and not self._away:
            if self.job_looks.take_long:
                await self.recorder.keep_due()
            await self._look_at_jobs(around.jobs, target)
        self.heartbeat.does("stores what it read", STORE_LONGEST_S)

    async def _look_at_jobs(self, jobs: JobWitness, target: MeterTarget) -> None:
        """What the printer says of its own jobs, as facts of their own."""
        timeout_s = self.around.poll_policy.timeout_s
        self.heartbeat.does("asks for its jobs", timeout_s + GRACE_S)
        said = await self.job_looks.look(jobs, target, timeout_s, self.updater.opened().open_starts())
        self.heartbeat.does("stores what it read", STORE_LONGEST_S)
        # What could not be stored is stored with the next look: a fact that is there twice counts once.
        while said:
            await self.around.store.append(said[0])
            self._add(Arrival(said.pop(0)))

    async def _advance(self) -> None:
        """Project the open stretch and store what changed, with what was read; a reading that changes no row is not
        projected. What gathers waits for that, readings too.
        """
        self._rest_asked = False
        if not self.updater.may_project():
            if not self.updater.gathers:
                await self.recorder.keep_due()
            return
        if self.around.projecting.is_long():
            await self.recorder.keep_due()
        async with self.around.projecting:
            update = self.updater.project()
            self.around.counters.projections += 1
            await asyncio.sleep(0)
        if update is None:
            await self.recorder.keep_due()
        await self.updater.keep(update, self.recorder.keep)
        if self.updater.must_reopen:
            self._wakeup.again()
        projector = self.updater.opened()
        self._windows = OpenWindows.of(projector.view)
        await self._learn()
        if not len(self.rest_queue):
            projector.let_go()

    async def _learn(self) -> None:
        """How the printer comes to rest, as its own behaviour shows; it holds for releases that start from now on."""
        projector, now_us = self.updater.opened(), self.around.clock.now_us()
        if self.target is None or projector.view is None or not self.learner.look(projector.view):
            return
        fact = self.learner.wanted(self.printer, projector.rules, now_us)
        if fact is None or not projector.rules.registered:
            return
        before_us, chosen = projector.rules.settle_us(now_us), projector.rules.chosen(now_us)
        await self.around.store.append(fact)
        projector.add(fact)
        if fact.chosen != chosen:
            self.updater.changed()
        if self.around.on_learned is not None and fact.settle_us != before_us:
            self.around.on_learned(self.printer, fact.settle_us)

    def _answer_rested(self) -> None:
        """Let the first that waits for rest begin, if it is its turn by rows that know all that was heard."""
        if len(self.rest_queue):
            known = None if self.updater.dirty or self.projector is None else self.projector.look()
            self.rest_queue.look(known, self.schedule.good_sent_us, self.schedule.failures)

    def _plan(self) -> None:
        self.schedule.plan(
            self._windows,
            watch_until_us=self.learner.watch_until_us,
            proving=bool(len(self.rest_queue)),
            put_off_s=self.updater.put_off_s(),
            gathers=self.updater.gathers,
        )
