"""Random days of one printer, invented: a truth about sheets, and the facts that a daemon would have of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from random import Random

from pagereeve.domain.facts import Fact, Origin, PolicySet, Read, ReadFailed, ReleaseEnded, ReleaseStarted
from pagereeve.domain.instants import SECOND_US
from pagereeve.domain.policy import Policy
from pagereeve.domain.reading import Count, Failure, PrinterState, Reading, Sight, SilenceReason, Unit
from pagereeve.domain.recorder import record
from pagereeve.domain.ticket import Ticket

DAY_US = 1_800_000_000 * SECOND_US
PRINTER = "invented-printer"
POLICY = Policy(
    settle_us=10 * SECOND_US, unmoved_us=30 * SECOND_US, longest_us=300 * SECOND_US, longest_stalled_us=600 * SECOND_US
)


@dataclass
class Day:
    """``observed`` is what each step brought, for incremental tests: events, and the open run after each read."""

    facts: list[Fact] = field(default_factory=list, repr=False)
    open_run: Read | ReadFailed | None = field(default=None, repr=False)
    steps: list[tuple[Fact | None, Read | ReadFailed | None]] = field(default_factory=list, repr=False)
    runs: list[tuple[int, int]] = field(default_factory=list)


@dataclass
class _Printer:
    value: int
    serial: str = "K1"
    uptime_cs: int = 100_000
    printing_until_us: int = 0
    error: tuple[str, ...] = ()


def make_day(seed: int, length: int = 40, *, faults: bool = True, channels: bool = False, modulus: int = 2**32) -> Day:
    """A day of ``length`` happenings: releases, walk-up copies, reads, jams, silences, restarts, replacements.

    ``channels``: the meter has more than one, and not each of them in each answer, nor on each device. With a small
    ``modulus`` the meter wraps, some of the time.
    """
    return _Maker(Random(seed), faults=faults, channels=channels, modulus=modulus).make(length)


class _Maker:
    def __init__(self, random: Random, *, faults: bool, channels: bool, modulus: int) -> None:
        self.random = random
        self.faults = faults
        self.policy = replace(POLICY, modulus=modulus)
        self.channels: tuple[str, ...] = ("colour", "copies", "mono") if channels else ()
        self.day = Day()
        self.now_us = DAY_US
        value = random.randrange(100, 5000)
        self.printer = _Printer(value if modulus == 2**32 else modulus - value % 60 - 1)
        self.releases = 0
        self.marks: list[tuple[int, int]] = []

    def make(self, length: int) -> Day:
        self._fact(PolicySet(PRINTER, DAY_US - SECOND_US, self.policy))
        for _ in range(length):
            self._step()
        for _ in range(12):
            self._pass(6)
            self._read()
        return self.day

    def _step(self) -> None:
        kinds = ["read"] * 6 + ["release"] * 4 + ["wait"] * 3 + ["copy"]
        if self.faults:
            kinds += ["fail", "restart", "replace", "jam", "glitch", "fall-back"]
        getattr(self, "_" + self.random.choice(kinds).replace("-", "_"))()

    def _fact(self, fact: Fact) -> None:
        self.day.facts.append(fact)
        self.day.steps.append((fact, self.day.open_run))

    def _pass(self, seconds: float) -> None:
        self.now_us += int(seconds * SECOND_US)
        self.printer.uptime_cs += int(seconds * 100)
        due = [mark for mark in self.marks if mark[0] <= self.now_us]
        self.marks = [mark for mark in self.marks if mark[0] > self.now_us]
        if not self.printer.error:
            self.printer.value += sum(pages for _, pages in due)
        else:
            self.marks += due

    def _wait(self) -> None:
        for _ in range(self.random.randrange(1, 4)):
            self._pass(self.random.uniform(4, 30))
            self._read()
        self.printer.error = ()

    def _read(self, value: int | None = None) -> None:
        state = PrinterState.PRINTING if self.marks and self.random.random() < 0.8 else PrinterState.IDLE
        total = self.printer.value % self.policy.modulus if value is None else value
        counts = [("total", Count(total, Unit.IMPRESSIONS))]
        counts += [(name, Count(total // 2, Unit.IMPRESSIONS)) for name in self.channels if self.random.random() < 0.8]
        sight = Sight(tuple(sorted(counts)), self.printer.serial, "1.3.6.1.4.1.99999.1", state, self.printer.error)
        sent_us = self.now_us
        self._pass(self.random.uniform(0.01, 0.4))
        self._record(Reading(sent_us, self.now_us, sight, self.printer.uptime_cs % 2**32))

    def _record(self, result: Reading | Failure) -> None:
        recorded = record(PRINTER, self.day.open_run, result)
        self.day.open_run = recorded.current
        if recorded.sealed is not None:
            self.day.facts.append(recorded.sealed)
        self.day.steps.append((recorded.sealed, recorded.current))

    def _fail(self) -> None:
        for _ in range(self.random.randrange(1, 4)):
            sent_us = self.now_us
            self._pass(2)
            self._record(Failure(sent_us, self.now_us, SilenceReason.TIMEOUT))

    def _release(self) -> None:
        if self.random.random() < 0.7:
            self._read()
        self.releases += 1
        name, pages = f"r{self.releases}", self.random.randrange(1, 8)
        ticket = Ticket(pages=pages, copies=1, sides="one-sided", number_up=1, separator_sheets=0)
        origin = Origin("urn:invented:server", f"{name}-start", self.now_us, self.now_us + 1000, self.now_us)
        self._fact(ReleaseStarted(PRINTER, origin, name, f"job-{name}", f"owner-{self.releases % 5}", ticket=ticket))
        printed = pages + self.random.choice([0, 0, 0, 0, 0, 1, -1, 3])
        for page in range(max(0, printed)):
            self.marks.append((self.now_us + int((2 + page * 0.7) * SECOND_US), 1))
        if self.random.random() < 0.9:
            self._pass(self.random.uniform(0.5, 3))
            outcome = self.random.choice(["completed"] * 8 + ["cancelled"])
            end = Origin("urn:invented:server", f"{name}-end", self.now_us, self.now_us + 1000, self.now_us)
            self._fact(ReleaseEnded(PRINTER, end, name, outcome))  # type: ignore[arg-type]
        if self.random.random() < 0.6:
            self._pass(1)
            self._read()

    def _copy(self) -> None:
        self._pass(3)
        self.printer.value += self.random.randrange(1, 4)

    def _restart(self) -> None:
        self._pass(20)
        self.printer.uptime_cs = 500
        self._read()

    def _fall_back(self) -> None:
        self.printer.value -= self.random.randrange(1, 9)
        self._restart()

    def _replace(self) -> None:
        self.printer.serial = "K" + str(self.random.randrange(2, 9))
        self.printer.value = self.random.randrange(10, 9000)
        self.printer.uptime_cs = 1000
        self.marks.clear()
        if self.channels:
            self.channels = self.random.choice([("mono",), ("colour", "mono"), ("colour",), ("copies", "mono")])

    def _jam(self) -> None:
        self.printer.error = ("jammed",)
        self._pass(2)
        self._read()

    def _glitch(self) -> None:
        self._read(value=0)


def shuffled(facts: Sequence[Fact], seed: int) -> list[Fact]:
    """The facts twice, in another order."""
    mixed = [*facts, *facts]
    Random(seed).shuffle(mixed)
    return mixed
