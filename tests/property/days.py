"""Random days of one printer, invented: a truth about sheets, and the facts that a daemon would have of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from random import Random
from typing import Literal

from pagereeve.domain.brackets.plateaus import record
from pagereeve.domain.facts.facts import (
    Action,
    ClockMark,
    CounterChosen,
    Decided,
    Fact,
    Note,
    Origin,
    PlateauRead,
    PolicySet,
    PrinterNoted,
    ReadFailed,
    Reason,
    ReleaseAnswered,
    ReleaseEnded,
    ReleaseStarted,
    SettleLearned,
    UnitLearned,
)
from pagereeve.domain.facts.policy import Charging, Policy
from pagereeve.domain.facts.reading import (
    Count,
    Counter,
    Failure,
    PrinterState,
    Reading,
    Sight,
    SilenceReason,
    Unit,
    UnitGrade,
)
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.projection.projector import replay
from pagereeve.domain.values.instants import SECOND_US

DAY_US = 1_800_000_000 * SECOND_US
PRINTER = "invented-printer"
PARTS = "Printer-MIB"
PRINTS_OBJECT = "3.1"
POLICY = Policy(
    settle_us=10 * SECOND_US, unmoved_us=30 * SECOND_US, longest_us=300 * SECOND_US, longest_stalled_us=600 * SECOND_US
)


@dataclass
class Day:
    """``observed`` is what each step brought, for incremental tests: events, and the open run after each read."""

    facts: list[Fact] = field(default_factory=list, repr=False)
    open_run: PlateauRead | ReadFailed | None = field(default=None, repr=False)
    steps: list[tuple[Fact | None, PlateauRead | ReadFailed | None]] = field(default_factory=list, repr=False)
    runs: list[tuple[int, int]] = field(default_factory=list)
    printed: dict[str, int] = field(default_factory=dict)


UNITS_KNOWN = (
    (Unit.IMPRESSIONS, UnitGrade.SAID),
    (Unit.UNKNOWN, UnitGrade.ASSUMED),
    (Unit.UNKNOWN, UnitGrade.ASSUMED),
    (Unit.SHEETS, UnitGrade.INFERRED),
    (Unit.SHEETS, UnitGrade.ASSUMED),
    (Unit.IMPRESSIONS, UnitGrade.PROVEN),
)


@dataclass
class _Printer:
    value: int
    serial: str = "K1"
    uptime_cs: int = 100_000
    printing_until_us: int = 0
    error: tuple[str, ...] = ()
    lit: tuple[str, ...] = ()
    stuck: PrinterState | None = None


def make_day(
    seed: int,
    length: int = 40,
    *,
    faults: bool = True,
    channels: bool = False,
    modulus: int = 2**32,
    life: bool = False,
    states: bool = False,
    short: bool = False,
    units: bool = False,
    sides: bool = False,
    apart: bool = False,
    alone: Literal["", "prints", "sheets"] = "",
) -> Day:
    """A day of ``length`` happenings: releases, walk-up copies, reads, jams, silences, restarts, replacements.

    ``channels``: the meter has more than one, and not each of them in each answer, nor on each device. With a small
    ``modulus`` the meter wraps, some of the time. ``life``: notices that come late, again or for another job under the
    same name, progress, clocks that are off, maintenance, decisions, another policy, and tickets of every sort.
    ``states``: states that stick, error lights that stop nothing, and what is learnt of both. ``short``: nobody copies
    by hand, and no job prints more than its ticket says. ``units``: what is known of the counter's unit comes and goes.
    ``sides``: with several channels, one of them falls or shows something odd, while the total goes on. ``apart``:
    somebody copies, the meter counts copies apart (of every second seed beside prints; half of all pages are colour),
    and where there are faults now and then an answer too late; with channels and sides these counters fall too.
    ``alone``: the meter counts prints, or sheets, and has no total; where there are faults one comes and goes beside
    them.
    """
    maker = _Maker(Random(seed), faults=faults, channels=channels, modulus=modulus, life=life)
    maker.states, maker.short, maker.units, maker.sides, maker.apart = states, short, units, sides, apart
    maker.alone = alone
    maker.unit = maker.random.choice(UNITS_KNOWN) if units else UNITS_KNOWN[0]
    maker.counts_prints = seed % 2 == 0
    return maker.make(length)


class _Maker:
    def __init__(self, random: Random, *, faults: bool, channels: bool, modulus: int, life: bool = False) -> None:
        self.random = random
        self.faults = faults
        self.life = life
        self.policy = replace(POLICY, modulus=modulus)
        if life:
            self.policy = replace(self.policy, tolerance_pages=random.choice([0, 0, 1, 2]))
        self.started: list[ReleaseStarted] = []
        self.channels: tuple[str, ...] = ("colour", "copies", "mono") if channels else ()
        self.day = Day()
        self.now_us = DAY_US
        value = random.randrange(100, 5000)
        self.printer = _Printer(value if modulus == 2**32 else modulus - value % 60 - 1)
        self.releases = 0
        self.marks: list[tuple[int, int]] = []
        self.states = self.short = self.units = self.sides = self.apart = False
        self.unit = UNITS_KNOWN[0]
        self.lost: dict[str, int] = {}
        self.copier: int | None = None
        self.copied = self.copied_shown = 0
        self.counts_prints = self.found_total = False
        self.alone = ""
        self.witness: float | None = None

    def make(self, length: int) -> Day:
        self._fact(PolicySet(PRINTER, DAY_US - SECOND_US, self.policy))
        if self.sides:
            self.witness = self.random.choice([None, 0, 1, 0.8])
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
        if self.sides:
            kinds += ["odd-aside", "odd-uptime", "odd-serial", "release", "release"]
            kinds += ["fall-aside", "fall-part", "choose", "disagree"] if self.faults else []
        if self.states:
            kinds += ["stick", "unstick", "light", "learn", "wait"]
        if self.alone and self.faults:
            kinds += ["find-total"]
        if self.units:
            kinds += ["learn-unit", "name-unit", "name-unit"]
        if self.apart:
            kinds += ["copy"] * 4
        elif self.short:
            kinds.remove("copy")
        if self.life:
            kinds += ["release"] * 8 + ["late", "echo", "again", "reuse", "progress", "note", "decide", "set-policy"]
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
        state = self.printer.stuck or state
        counters = self._parts(total)
        of_parts = (0, f"{PARTS} total") if self.copier is not None else (2**32, "1.9")
        count = Count(total, self.unit[0], grade=self.unit[1])
        count = replace(count, modulus=of_parts[0], object=of_parts[1]) if self.sides else count
        counts = [("total", count)]
        if self.alone:
            counts = [(self.alone, count)] + [("total", replace(count, value=total + 500))] * self.found_total
        counts += [
            (name, Count(max(0, total // 2 - self.lost.get(name, 0)), Unit.IMPRESSIONS))
            for name in self.channels
            if self.random.random() < 0.8
        ]
        if self.apart:
            # What a channel counts at random gives way to what was copied.
            counts = [*{**dict(counts), **dict(self._functions(total))}.items()]
        shown = (self.printer.serial, "1.3.6.1.4.1.99999.1", state, self._errors())
        sight = Sight(tuple(sorted(counts)), *shown, counters=counters)
        sent_us = self.now_us
        self._pass(self.random.uniform(0.01, 0.4))
        self._record(Reading(sent_us, self.now_us, sight, self.printer.uptime_cs % 2**32))

    def _find_total(self) -> None:
        self.found_total = not self.found_total
        self._read()

    def _parts(self, total: int) -> tuple[Counter, ...]:
        """What the total adds up, once it is known to be a sum."""
        if self.copier is None:
            return self._witness(total)
        shares = ("1.1", min(total, self.copier)), ("1.2", total - min(total, self.copier))
        parts = (Counter(name, value, "total", PARTS, Unit.IMPRESSIONS, part=True) for name, value in shares)
        return (*parts, *self._witness(total))

    def _witness(self, total: int) -> tuple[Counter, ...]:
        """Another total, which moves as the billed one does or otherwise."""
        if self.witness is None or self.random.random() < 0.05:
            return ()
        return (Counter("2.1", int(total * self.witness), "total", "a maker's", Unit.IMPRESSIONS),)

    def _disagree(self) -> None:
        self.witness = self.random.choice([0, 1, 1, 0.8, 1.5])
        self._read()

    def _choose(self) -> None:
        choices = [(), (CounterChosen("total", "2.1", "moves-with-releases"),)]
        choices += [(CounterChosen("total", PRINTS_OBJECT, "prints-before-total"),)] * self.apart
        self._fact(SettleLearned(PRINTER, self.now_us, 10 * SECOND_US, chosen=self.random.choice(choices)))

    def _fall_part(self) -> None:
        """One part of the total falls, and another rises by as much or more."""
        self.copier = self.random.randrange(0, max(1, self.printer.value))
        self._read()

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
        if self.life:
            ticket = self._any_ticket(pages)
        clock: ClockMark = self.random.choice(["", "", "", "future", "corrected"]) if self.life else ""
        origin = Origin("urn:invented:server", f"{name}-start", self.now_us, self.now_us + 1000, self.now_us, clock)
        self._start(ReleaseStarted(PRINTER, origin, name, f"job-{name}", f"owner-{self.releases % 5}", ticket=ticket))
        if self.life and self.random.random() < 0.3:
            self._answer()
        printed = pages + self.random.choice([0, 0, 0, 0, 0, 1, -1, 3])
        if self.short:
            printed = self.random.choice([pages, pages, pages, max(0, pages - self.random.randrange(1, 4)), 0])
        self.day.printed[name] = printed
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

    def _any_ticket(self, pages: int) -> Ticket:
        choose = self.random.choice
        return Ticket(
            pages=choose([pages, pages, pages, None]),
            copies=choose([1, 1, 2, 3, None]),
            sides=choose(["one-sided", "two-sided-long-edge", None]),
            number_up=choose([1, 1, 2, None]),
            media=choose([None, "iso_a4_210x297mm", "iso_a3_297x420mm"]),
            separator_sheets=choose([0, 1, None]),
            color_mode=choose([None, "monochrome", "color"]),
        )

    def _start(self, started: ReleaseStarted) -> None:
        self.started.append(started)
        self._fact(started)

    def _answer(self) -> None:
        """The sender of the latest start waited; somebody may copy meanwhile. It may be answered twice."""
        started = self.started[-1]
        if self.random.random() < 0.2:
            self.marks.append((self.now_us + SECOND_US, 1))
        self._pass(self.random.uniform(0.1, 20))
        rest = self.random.choice(["", "rested", "not-rested"])
        key, at_us = started.origin.key, started.origin.at_us
        self._fact(ReleaseAnswered(PRINTER, self.now_us, *key, at_us, "in-hand", rest))  # type: ignore[arg-type]
        if self.random.random() < 0.1:
            self._fact(ReleaseAnswered(PRINTER, self.now_us + SECOND_US, *key, at_us, "failed"))

    def _end(self, release: str, event: str, at_us: int, pages_sent: int | None = None) -> None:
        origin = Origin("urn:invented:server", event, at_us, self.now_us + 1000, at_us)
        self._fact(ReleaseEnded(PRINTER, origin, release, "completed", pages_sent))

    def _late(self) -> None:
        """Both notices of a release that lies up to half an hour back."""
        self.releases += 1
        name, at_us = f"r{self.releases}", self.now_us - int(self.random.uniform(5, 1800) * SECOND_US)
        origin = Origin("urn:invented:server", f"{name}-start", at_us, self.now_us, at_us)
        started = ReleaseStarted(PRINTER, origin, name, f"job-{name}", "owner-late", ticket=self._any_ticket(3))
        if self.random.random() < 0.5:
            self._end(name, f"{name}-end", at_us + 5 * SECOND_US)
            self._start(started)
        else:
            self._start(started)
            self._end(name, f"{name}-end", at_us + 5 * SECOND_US)

    def _known(self) -> ReleaseStarted | None:
        return self.random.choice(self.started) if self.started else None

    def _echo(self) -> None:
        if (known := self._known()) is not None:
            self._start(replace(known, origin=replace(known.origin, id=self._event_id(), received_us=self.now_us)))

    def _again(self) -> None:
        if (known := self._known()) is not None:
            origin = Origin(known.origin.source, self._event_id(), self.now_us, self.now_us, self.now_us)
            self._start(replace(known, origin=origin))
            if self.random.random() < 0.5:
                self._end(known.release, self._event_id(), self.now_us + SECOND_US)

    def _reuse(self) -> None:
        if (known := self._known()) is not None:
            at_us = self.now_us - self.random.choice([0, 0, 400 * SECOND_US])
            origin = Origin(known.origin.source, self._event_id(), at_us, self.now_us, at_us)
            self._start(replace(known, origin=origin, job="another-job", owner="owner-other"))
            self.marks.append((self.now_us + 3 * SECOND_US, 2))
            if self.random.random() < 0.7:
                self._end(known.release, self._event_id(), at_us + 4 * SECOND_US)

    def _progress(self) -> None:
        if (known := self._known()) is not None:
            self._end(known.release, self._event_id(), self.now_us, self.random.randrange(9))

    def _event_id(self) -> str:
        return f"event-{len(self.day.facts)}-{self.random.randrange(10**6)}"

    def _note(self) -> None:
        at_us = self.now_us - self.random.choice([0, 0, 600 * SECOND_US])
        note: Note = self.random.choice(["maintenance-begun", "maintenance-ended", "meter-replaced", "test-pages"])
        origin = Origin("urn:invented:desk", self._event_id(), at_us, self.now_us, at_us)
        self._fact(PrinterNoted(PRINTER, origin, note))

    def _decide(self) -> None:
        """Of a finding that is there by now."""
        known = replay(PRINTER, self.day.facts, self.day.open_run).findings
        if known:
            action: Action = self.random.choice(["explain", "close", "reopen"])
            reason: Reason = self.random.choice(["maintenance", "jam", "other"])
            origin = Origin("urn:invented:desk", self._event_id(), self.now_us, self.now_us, self.now_us)
            self._fact(Decided(PRINTER, origin, self.random.choice(known).id, action, "a warden", reason))

    def _set_policy(self) -> None:
        charging: Charging = self.random.choice(["lesser", "none", "released", "counted"])
        self.policy = replace(self.policy, charging=charging, tolerance_pages=self.random.choice([0, 1, 2]))
        self._fact(PolicySet(PRINTER, self.now_us, self.policy))

    def _errors(self) -> tuple[str, ...]:
        return tuple(sorted({*self.printer.error, *self.printer.lit}))

    def _stick(self) -> None:
        self.printer.stuck = self.random.choice([PrinterState.PRINTING, PrinterState.PRINTING, PrinterState.WARMUP])

    def _unstick(self) -> None:
        self.printer.stuck = None

    def _light(self) -> None:
        """A light comes on or goes out under which pages come all the same."""
        self.printer.lit = () if self.printer.lit else ("noToner",)
        self._read()

    def _learn(self) -> None:
        settle_us = self.random.choice([10, 10, 15]) * SECOND_US
        self._fact(SettleLearned(PRINTER, self.now_us, settle_us, self.random.random() < 0.6))

    def _learn_unit(self) -> None:
        units = (UnitLearned(self.alone or "total", "", self.random.choice(list(Unit))),)
        self._fact(SettleLearned(PRINTER, self.now_us, 10 * SECOND_US, units=units))

    def _name_unit(self) -> None:
        self.unit = self.random.choice(UNITS_KNOWN)

    def _copy(self) -> None:
        self._pass(3)
        pages = self.random.randrange(1, 4)
        self.printer.value += pages
        self.copied += pages

    def _functions(self, total: int) -> list[tuple[str, Count]]:
        late = self.faults and self.random.random() < 0.1
        shown = self.copied_shown if late else self.copied
        self.copied_shown = shown
        figures = {"colour": total // 2, "copies": shown}
        if self.counts_prints:
            figures["prints"] = total - self.copied
        return [
            (name, Count(max(0, figure - self.lost.get(name, 0)), Unit.IMPRESSIONS, object=self.named(name)))
            for name, figure in figures.items()
        ]

    def named(self, channel: str) -> str:
        return PRINTS_OBJECT if self.sides and channel == "prints" else ""

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

    def _fall_aside(self) -> None:
        """One channel begins anew, or falls back a little, with or without a restart."""
        if self.channels:
            back = self.random.choice([self.printer.value // 2, 3, 40])
            self.lost[self.random.choice(self.channels)] = back
        if self.random.random() < 0.3:
            self._restart()

    def _odd_aside(self) -> None:
        """One channel shows something odd in a single answer."""
        if self.channels:
            name = self.random.choice(self.channels)
            known = self.lost.get(name, 0)
            self.lost[name] = known + self.random.choice([7, 10**6, -900])
            self._read()
            self.lost[name] = known

    def _odd_uptime(self) -> None:
        """One answer with a clock that is off, and now and then with a count that is."""
        known, self.printer.uptime_cs = self.printer.uptime_cs, self.random.choice([0, 40, 10**8])
        self._read(self.random.choice([None, None, 0]))
        self.printer.uptime_cs = known + 40

    def _odd_serial(self) -> None:
        known, self.printer.serial = self.printer.serial, "K99"
        self._read(self.random.choice([None, 0]))
        self.printer.serial = known

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
