"""A printer as a pure model in virtual time: no I/O, no clock; the caller passes microseconds in."""

from __future__ import annotations

from collections import Counter, deque
from enum import Enum, auto
from random import Random

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.simulator.errors import PrinterFull, PrinterOff
from pagereeve.simulator.printer.job_log import JobLog, LoggedJob
from pagereeve.simulator.printer.model import (
    SPOOLED_MAX,
    UNIT_CODES,
    Cause,
    Marked,
    MeterLife,
    MeterUnit,
    PrinterSpec,
    PrintJob,
    Sheet,
    ShownState,
    Truth,
)
from pagereeve.simulator.printer.page_counter import MeterHead
from pagereeve.simulator.printer.spool import Spooled

MINUTE_US = 60 * SECOND_US


class Phase(Enum):
    RESTING = auto()
    STARTING = auto()
    MOVING = auto()
    WAITING = auto()
    STOPPED = auto()
    OFF = auto()


# (hrPrinterStatus, hrDeviceStatus, prtMarkerStatus): RFC 3805 sections 2.2.13.2 and 6 (PrtSubUnitStatusTC).
IDLE, ASLEEP, PRINTING, WARMING, DOWN = (3, 2, 0), (1, 2, 2), (4, 2, 4), (5, 2, 64), (1, 5, 17)


class PrintEngine:
    """One printer. Every call carries its instant; an instant before an earlier call's counts as that one.

    ``truth`` lists every sheet that passed the counting point; ``lives`` the stretches between which the counter
    cannot be subtracted. Conservation: shown - start_count of a life, after the lag, is the sum of its steps - lost.
    """

    def __init__(self, spec: PrinterSpec, seed: int, at_us: int = 0) -> None:
        self.spec = spec
        self.truth: list[Marked] = []
        self.lives = [MeterLife(spec.serial, at_us, spec.start_count)]
        self._random, self._dozing = Random(seed), Random(seed + 1)
        self._head = MeterHead(spec, spec.start_count)
        self._unit: MeterUnit = spec.unit
        self._said: MeterUnit | None = spec.unit if spec.says_unit else None
        self._serial, self._object_id = spec.serial, spec.object_id
        self._now_us = self._up_since_us = self._resting_since_us = at_us
        self._phase, self._until_us = Phase.RESTING, at_us
        self._cold = False
        self._jobs: deque[Spooled] = deque()
        self.log = JobLog(spec)
        self._current: tuple[Sheet, PrintJob] | None = None
        self._again: tuple[Sheet, PrintJob] | None = None
        self._paper_left: int | None = None
        self._jams_next = False
        self._swapped_for: tuple[str, int] | None = None
        self._error = ""
        self._false_zero = self._state_sticks = self._toner_lit = False
        self._silent_until_us = self._agent_awake_until_us = at_us
        self._put_to_sleep = False

    # Jobs and data

    def submit(self, job: PrintJob, at_us: int) -> Spooled:
        """Take a whole job at once. Raises PrinterOff, PrinterFull."""
        spooled = self.begin(job, at_us)
        self.feed(spooled, job.size_bytes, at_us)
        self.end(spooled, at_us)
        return spooled

    def begin(self, job: PrintJob, at_us: int) -> Spooled:
        """Take a job whose data follow by ``feed``. Raises PrinterOff, PrinterFull."""
        self.advance(at_us)
        if self._phase is Phase.OFF:
            raise PrinterOff(f"{self.spec.name} has no power")
        if len(self._jobs) >= SPOOLED_MAX:
            raise PrinterFull(f"{self.spec.name} holds {SPOOLED_MAX} jobs already")
        self._cold = self._cold or self._sleeps()
        spooled = Spooled(job, self.spec)
        self._jobs.append(spooled)
        self.log.came(spooled)
        return spooled

    def feed(self, spooled: Spooled, size_bytes: int, at_us: int) -> None:
        self.advance(at_us)
        spooled.receive(size_bytes)
        self.advance(at_us)

    def end(self, spooled: Spooled, at_us: int) -> None:
        """No more data come: what has arrived is printed, the rest never."""
        self.advance(at_us)
        spooled.end()
        self.advance(at_us)

    def room_bytes(self, at_us: int) -> int:
        self.advance(at_us)
        return max(0, self.spec.buffer_bytes - sum(spooled.held_bytes for spooled in self._jobs))

    def cancel(self, job: str, at_us: int) -> bool:
        """Drop what has not been fed of that job; whether there was one."""
        self.advance(at_us)
        found = [spooled for spooled in self._jobs if spooled.job.name == job and not spooled.done]
        for spooled in found:
            spooled.drop()
        return bool(found)

    def copy(self, pages: int, at_us: int) -> None:
        """Somebody copies at the panel. Raises PrinterOff, PrinterFull."""
        self.submit(PrintJob("copy", pages, cause="copy"), at_us)

    # Faults and people

    def jam(self, at_us: int) -> None:
        """The sheet in flight, or else the next one, gets stuck before it leaves."""
        self.advance(at_us)
        self._jams_next = True

    def clear(self, at_us: int) -> None:
        """Take the stuck sheet out; the spec says whether the printer prints it again. Disarms a jam to come."""
        self.advance(at_us)
        self._jams_next = False
        if self._error == "jammed":
            self._again = self._current if self.spec.reprints_jammed_sheet else self._again
            self._current = None
            self._go_on()

    def paper_out(self, at_us: int, after_sheets: int = 0) -> None:
        """The tray holds that many sheets; then the printer stops until it is refilled."""
        self.advance(at_us)
        self._paper_left = after_sheets

    def refill(self, at_us: int) -> None:
        self.advance(at_us)
        self._paper_left = None
        if self._error == "noPaper":
            self._go_on()

    def power_cut(self, at_us: int, off_us: int) -> None:
        """No power for ``off_us``. What was not saved of the count is lost; what was in memory, as the spec says."""
        self.advance(at_us)
        if self.spec.at_power_cut == "lose-jobs":
            self._lose_jobs()
        elif self._current is not None:
            self._again = self._current
        self._current, self._error = None, ""
        self.lives[-1].lost += self._head.power_cut()
        self._phase, self._until_us = Phase.OFF, self._now_us + off_us

    def replace(self, at_us: int, serial: str, count: int, object_id: tuple[int, ...] | None = None) -> None:
        """Another device is here now, with its own serial number and count."""
        self.advance(at_us)
        self._become(serial, count, object_id)

    def _become(self, serial: str, count: int, object_id: tuple[int, ...] | None = None) -> None:
        self._lose_jobs()
        self._current, self._error, self._jams_next, self._paper_left = None, "", False, None
        self._serial, self._object_id = serial, object_id or self._object_id
        self._head = MeterHead(self.spec, count)
        self.lives.append(MeterLife(serial, self._now_us, count))
        self._boot()

    def replace_before_sheet(self, at_us: int, serial: str, count: int) -> None:
        """Another device takes its place where the next sheet would be fed: what this one marked, it has shown."""
        self.advance(at_us)
        self._swapped_for = serial, count

    def put_meter(self, count: int, at_us: int) -> None:
        """Somebody set the counter, or it jumped: a new life without a trace elsewhere."""
        self.advance(at_us)
        self._head.put(count)
        self.lives.append(MeterLife(self._serial, self._now_us, count))

    def change_unit(self, unit: MeterUnit, at_us: int) -> None:
        self.advance(at_us)
        self._unit = self._said = unit
        self.lives.append(MeterLife(self._serial, self._now_us, self._head.show(self._now_us)[0]))

    def say_unit(self, unit: MeterUnit, at_us: int) -> None:
        """Its agent says that unit from now on, whatever the counter steps in."""
        self.advance(at_us)
        self._said = unit

    def false_zero(self, at_us: int) -> None:
        """The next answer that holds the life count says 0."""
        self.advance(at_us)
        self._false_zero = True

    def stick_state(self, at_us: int, *, sticks: bool) -> None:
        """Its state stays at *printing* though it rests, or does no longer."""
        self.advance(at_us)
        self._state_sticks = sticks

    def light_toner(self, at_us: int, *, lit: bool) -> None:
        """It says that it has no toner, and prints on: makers light this long before the last page."""
        self.advance(at_us)
        self._toner_lit = lit

    def silence(self, at_us: int, for_us: int) -> None:
        """No SNMP answer for that long."""
        self.advance(at_us)
        self._silent_until_us = self._now_us + for_us

    def sleep(self, at_us: int) -> None:
        """It sleeps as soon as it rests, without waiting for its time; the next job wakes it."""
        self.advance(at_us)
        self._put_to_sleep = True

    def wake(self, at_us: int) -> None:
        """Somebody touches its panel."""
        self.advance(at_us)
        self._cold = self._cold or self._sleeps()
        self._put_to_sleep, self._resting_since_us = False, self._now_us

    def restart_agent(self, at_us: int) -> None:
        """Its SNMP agent begins anew: sysUpTime counts from 0 (RFC 3418 section 2), the page counter goes on."""
        self.advance(at_us)
        self._up_since_us = self._now_us

    # What it shows

    def silent(self, at_us: int) -> bool:
        """Was the agent silenced, for longer than until now?"""
        return at_us < self._silent_until_us

    @property
    def powered(self) -> bool:
        return self._phase is not Phase.OFF

    def busy(self, at_us: int) -> bool:
        """A job is in memory or a sheet in flight."""
        self.advance(at_us)
        return bool(self._jobs) or self._phase not in {Phase.RESTING, Phase.OFF}

    def jobs(self, at_us: int) -> list[LoggedJob]:
        """What it tells of its jobs, by number."""
        self.advance(at_us)
        at_work = self._jobs[0] if self._jobs and self._phase is not Phase.RESTING else None
        return self.log.told(self._now_us, at_work)

    def asleep(self, at_us: int) -> bool:
        self.advance(at_us)
        return self._sleeps()

    def hears(self, at_us: int) -> bool:
        """Whether the agent answers a request that arrives now; a lost first request wakes it."""
        self.advance(at_us)
        if self._phase is Phase.OFF or self._now_us < self._silent_until_us:
            return False
        if not self._sleeps() or self.spec.asleep_answers == "always":
            return True
        if self.spec.asleep_answers == "sometimes":
            return self._dozing.random() < 1 / 3
        awake = self._now_us < self._agent_awake_until_us
        self._agent_awake_until_us = self._now_us + self.spec.awake_us
        return awake

    def meter(self, at_us: int) -> int:
        """The life count shown, without using up a false zero."""
        self.advance(at_us)
        return self._head.show(self._now_us)[0]

    def show(self, at_us: int) -> ShownState:
        """One consistent answer. Uses up a false zero."""
        self.advance(at_us)
        life, power_on = self._head.show(self._now_us)
        if self._false_zero:
            life, self._false_zero = 0, False
        printer, device, marker = self._status()
        return ShownState(
            life_count=life,
            power_on_count=power_on,
            unit_code=None if self._said is None else UNIT_CODES[self._said],
            printer_status=printer,
            device_status=device,
            marker_status=marker,
            errors=tuple(filter(None, (self._error, "noToner" if self._toner_lit else None))),
            uptime_cs=(self._now_us - self._up_since_us) // 10_000 % 2**32,
            serial=self._serial,
            object_id=self._object_id,
            description=self.spec.description,
            still_count=self.spec.still_marker,
        )

    def total(self) -> Truth:
        """The truth so far, summed: in all, for each job, for each cause."""
        by_job: Counter[str] = Counter()
        by_cause: Counter[Cause] = Counter()
        for mark in self.truth:
            by_cause[mark.cause] += mark.steps
            if mark.cause == "job":
                by_job[mark.job] += mark.steps
        return Truth(by_cause.total(), dict(by_job), dict(by_cause), sum(life.lost for life in self.lives))

    # Its motion

    def advance(self, to_us: int) -> None:
        """Let everything happen that is due up to ``to_us``."""
        while (due_us := self._due_us()) is not None and due_us <= to_us:
            self._now_us = max(self._now_us, due_us)
            self._turn()
        self._now_us = max(self._now_us, to_us)

    def _due_us(self) -> int | None:
        if self._phase in {Phase.STARTING, Phase.MOVING, Phase.OFF}:
            return self._until_us
        if self._phase in {Phase.RESTING, Phase.WAITING} and (self._jobs or self._again):
            head = self._jobs[0] if self._jobs else None
            return self._now_us if self._again or (head and (head.ready or head.done)) else None
        return None

    def _turn(self) -> None:
        match self._phase:
            case Phase.OFF:
                self._boot()
            case Phase.MOVING:
                self._leave()
            case Phase.RESTING:
                self._start()
            case Phase.STARTING | Phase.WAITING:
                self._feed_next()
            case Phase.STOPPED:
                raise AssertionError("a stopped printer turns only when somebody helps it")

    def _boot(self) -> None:
        self._up_since_us = self._now_us
        self._rest()
        self._cold = True
        if self.spec.start_up_page:
            start_up = Spooled(PrintJob("start-up page", 1, cause="start-up-page"), self.spec)
            start_up.end()
            self._jobs.appendleft(start_up)

    def _start(self) -> None:
        if not self._again:
            self._forget_done()
            if not self._jobs:
                return
        self._put_to_sleep = False
        wait_us = self.spec.first_sheet_us + (self.spec.warm_up_us if self._cold else 0)
        self._phase, self._until_us = Phase.STARTING, self._now_us + wait_us

    def _go_on(self) -> None:
        self._error = ""
        self._phase, self._until_us = Phase.STARTING, self._now_us + self.spec.first_sheet_us

    def _rest(self) -> None:
        self._phase, self._resting_since_us = Phase.RESTING, self._now_us

    def _feed_next(self) -> None:
        if self._swapped_for is not None and self._phase is Phase.STARTING:
            swapped_for, self._swapped_for = self._swapped_for, None
            self._become(*swapped_for)
            return
        self._cold = False
        self._forget_done()
        if not self._again and not self._jobs:
            self._rest()
        elif not self._again and not self._jobs[0].ready:
            self._phase = Phase.WAITING
        elif self._paper_left == 0:
            self._phase, self._error = Phase.STOPPED, "noPaper"
        else:
            self._feed(self._again or (self._jobs[0].take(), self._jobs[0].job))

    def _feed(self, current: tuple[Sheet, PrintJob]) -> None:
        self._again, self._current = None, current
        if self._paper_left is not None:
            self._paper_left -= 1
        if self.spec.counts_at == "feed":
            self._mark(*current)
        self._phase, self._until_us = Phase.MOVING, self._now_us + self._sheet_us(current[0])

    def _leave(self) -> None:
        if self._jams_next:
            self._jams_next = False
            self._phase, self._error = Phase.STOPPED, "jammed"
            return
        if self._current is not None and self.spec.counts_at == "exit":
            self._mark(*self._current)
        self._current = None
        self._feed_next()

    def _mark(self, sheet: Sheet, job: PrintJob) -> None:
        steps = sheet.steps(self._unit)
        self._head.step(steps, self._now_us)
        self.log.made(job, sheet, self._now_us)
        self.truth.append(Marked(self._now_us, job.name, job.cause, sheet.passes, steps, len(self.lives) - 1))

    def _sheet_us(self, sheet: Sheet) -> int:
        rated_us = sheet.passes * MINUTE_US // self.spec.impressions_per_minute
        spread = self.spec.jitter_permille
        return max(1, rated_us * (1000 + self._random.randint(-spread, spread)) // 1000)

    def _forget_done(self) -> None:
        while self._jobs and self._jobs[0].done:
            self.log.over(self._jobs.popleft(), self._now_us)

    def _lose_jobs(self) -> None:
        for spooled in self._jobs:
            spooled.drop()
            self.log.over(spooled, self._now_us)
        self._jobs.clear()
        self._again = None

    def _sleeps(self) -> bool:
        after_us = self.spec.sleep_after_us
        if self._phase is not Phase.RESTING or self._jobs:
            return False
        return self._put_to_sleep or (after_us is not None and self._now_us - self._resting_since_us >= after_us)

    def _status(self) -> tuple[int, int, int]:
        if self._phase is Phase.STOPPED:
            return DOWN
        if self._phase is Phase.STARTING and self._cold:
            return WARMING
        if self._phase is Phase.RESTING and not self._state_sticks:
            return ASLEEP if self._sleeps() else IDLE
        return PRINTING
