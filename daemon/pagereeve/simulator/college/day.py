"""A working day at the college: ordinary releases on every printer, and one fault on each, planted on purpose."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import ceil
from random import Random
from typing import Final

from pagereeve.simulator.college.college import College
from pagereeve.simulator.college.scenario import Planted, Scenario
from pagereeve.simulator.errors import BadScenario
from pagereeve.simulator.site.release_server import WRONG_NAME_SUFFIX, Fault, HeldJob

SLOTS: Final = 5
FAULT_SLOT: Final = 2
OPENING_S: Final = 2.0
CLOSING_S: Final = 10.0
SHORTEST_S: Final = 40.0
SILENT_LONGEST_S: Final = 120.0
# How far into a slot somebody badges.
BADGE_S: Final = 0.3
UNBADGED_SHARE: Final = 0.1
DUPLICATE_SHARE: Final = 0.15


@dataclass(frozen=True, slots=True)
class Slot:
    """One printer's turn: ``at_s`` its beginning, ``span_s`` until the printer's next."""

    printer: str
    nth: int
    at_s: float
    span_s: float


class WorkingDay:
    """Builds the script. Every printer has a slot of its own, ``SLOTS`` times, with a rest after each release."""

    def __init__(self, college: College, seed: int, length_s: float) -> None:
        if length_s < SHORTEST_S:
            raise BadScenario(f"a working day of {length_s} s leaves no rest between releases; {SHORTEST_S} s at least")
        self._college = college
        self._random = Random(seed)
        self.scenario = Scenario(seed)
        self._users = [person.login for person in college.people]
        self._span_s = (length_s - OPENING_S - CLOSING_S) / SLOTS
        self._jobs = 0
        # Sides that ordinary jobs will have marked, so that a power cut can be put between two savings of the count.
        self._sides: dict[str, int] = {}

    def build(self) -> Scenario:
        faults = dict(zip(self._college.printers, _FAULTS, strict=False))
        for nth in range(SLOTS):
            for place, printer in enumerate(self._college.printers):
                at_s = OPENING_S + (nth + place / len(self._college.printers)) * self._span_s
                slot = Slot(printer, nth, round(at_s, 3), self._span_s)
                fault = faults.get(printer)
                if nth == FAULT_SLOT and fault is not None:
                    fault(self, slot)
                elif nth == FAULT_SLOT + 1 and fault in _LONG:
                    continue
                else:
                    self._ordinary(slot)
        return self.scenario

    # Traffic

    def _ordinary(self, slot: Slot) -> None:
        faults: frozenset[Fault] = frozenset()
        if self._random.random() < DUPLICATE_SHARE:
            faults = frozenset({"duplicate-notices"})
        pages = self._random.randint(1, 8)
        copies = self._random.choice((1, 1, 1, 2))
        number_up = self._random.choice((1, 1, 1, 2))
        self._sides[slot.printer] = self._sides.get(slot.printer, 0) + ceil(pages / number_up) * copies
        job = self._job(slot, pages=pages, copies=copies, number_up=number_up, faults=faults)
        badge_needed = self._college.printer(slot.printer).place.badge_within_us > 0
        if self._random.random() < UNBADGED_SHARE and not badge_needed:
            self._at(slot, BADGE_S, lambda: self._college.release_unbadged(job), f"{job.owner} releases {job.name}")
        else:
            self._by_badge(slot, job)

    def _by_badge(self, slot: Slot, job: HeldJob) -> None:
        gateway = self._college.printer(slot.printer).place.gateway
        self._at(slot, 0.0, lambda: self._college.hold(job), "")
        self._at(slot, BADGE_S, lambda: self._college.badge(job.owner, gateway), f"{job.owner} badges for {job.name}")

    def _job(
        self,
        slot: Slot,
        *,
        pages: int,
        copies: int = 1,
        number_up: int = 1,
        faults: frozenset[Fault] = frozenset(),
    ) -> HeldJob:
        self._jobs += 1
        # Slots that overlap at one gateway must not share a user, or one badge would let both jobs go.
        owner = self._users[self._jobs % len(self._users)]
        return HeldJob(
            name=f"job-{self.scenario.seed}-{self._jobs:03d}",
            owner=owner,
            printer=slot.printer,
            pages=pages,
            copies=copies,
            sides=self._random.choice(("one-sided", "one-sided", "two-sided-long-edge")),
            number_up=number_up,
            size_bytes=4_000 * pages,
            faults=faults,
        )

    def _at(self, slot: Slot, after_s: float, action: Callable[[], None], what: str) -> None:
        self.scenario.at(slot.at_s + after_s, action, f"{slot.printer}: {what}" if what else "")

    def _plant(
        self,
        slot: Slot,
        what: str,
        expected: tuple[str, ...],
        allowed: tuple[str, ...] = (),
        *,
        after_s: float = 0.0,
    ) -> None:
        """``after_s``: how far into the slot it happens."""

        def pairs(kinds: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
            return tuple((kind, slot.printer) for kind in kinds)

        self._college.planted.append(Planted(what, slot.at_s + after_s, slot.printer, pairs(expected), pairs(allowed)))

    # Faults

    def copies_twice(self, slot: Slot) -> None:
        self._by_badge(slot, self._job(slot, pages=3, copies=3, faults=frozenset({"copies-twice"})))
        self._plant(slot, "copies applied twice: 9 make 27", ("surplus",), after_s=BADGE_S)

    def duplicate_that_differs(self, slot: Slot) -> None:
        self._by_badge(slot, self._job(slot, pages=5, faults=frozenset({"conflicting-duplicate"})))
        self._plant(slot, "a start notice again, but altered", ("conflicting-duplicate",), after_s=BADGE_S)

    def jam_loses_a_sheet(self, slot: Slot) -> None:
        self._at(slot, 0.1, lambda: self._college.jam(slot.printer), "a sheet will jam")
        self._by_badge(slot, replace(self._job(slot, pages=6), sides="one-sided"))
        self._at(slot, 2.3, lambda: self._college.clear(slot.printer), "the jam is cleared")
        self._plant(slot, "a sheet is lost in a jam: 6 make 5", ("shortfall",), after_s=BADGE_S)

    def past_the_queue(self, slot: Slot) -> None:
        what = "4 pages printed past the queue"
        self.scenario.at(
            slot.at_s + 1.0,
            lambda: self._college.print_past_queue(slot.printer, 4),
            f"{slot.printer}: {what}",
        )
        self._plant(slot, what, ("stray-pages",), after_s=1.0)

    def no_end_notice(self, slot: Slot) -> None:
        self._by_badge(slot, self._job(slot, pages=4, faults=frozenset({"no-end-notice"})))
        self._plant(slot, "the end notice never comes", ("release-never-ended",), after_s=BADGE_S)

    def silent_meter(self, slot: Slot) -> None:
        """Silence is a finding only where a release needs a reading: a printer may sleep."""
        for_s = round(slot.span_s * 1.4, 3)
        job = self._job(slot, pages=4)
        gateway = self._college.printer(slot.printer).place.gateway
        what = f"the agent is silent for {for_s:.1f} s"
        # It ends by the day's clock as well.
        self._at(slot, 0.2, lambda: self._college.silence(slot.printer, SILENT_LONGEST_S), what)
        self._at(slot, 0.2 + for_s, lambda: self._college.silence(slot.printer, 0.0), "the agent answers again")
        self._at(slot, 0.9, lambda: self._college.hold(job), "")
        self._at(slot, 1.0, lambda: self._college.badge(job.owner, gateway), f"{job.owner} badges for {job.name}")
        self._plant(slot, what, ("meter-silent",), after_s=0.2)

    def lost_forward(self, slot: Slot) -> None:
        self._at(slot, 0.5, lambda: self._college.drop_forward(slot.printer), "the SNMP forward is gone")
        back_s = round(slot.span_s * 1.4, 3)
        self._at(slot, 0.5 + back_s, lambda: self._college.mend(slot.printer), "the SNMP forward is back")
        self._plant(slot, "the gateway answers in its place", ("wrong-responder",), after_s=0.5)

    def replaced(self, slot: Slot) -> None:
        what = "another device takes its place"
        serial = f"{self._college.printer(slot.printer).place.spec.serial}-B"
        self._at(slot, 1.0, lambda: self._college.replace(slot.printer, serial, 512), what)
        self._plant(slot, what, ("meter-replaced",), ("meter-went-back", "printer-restarted"), after_s=1.0)

    def power_cut(self, slot: Slot) -> None:
        """A job first, so that the count is between two savings; then the cut, with everything at rest."""
        start = self._college.printer(slot.printer).place.spec.start_count
        unsaved = (start + self._sides.get(slot.printer, 0)) % 10
        pages = (14 - unsaved) % 10 or 10
        self._by_badge(slot, replace(self._job(slot, pages=pages), sides="one-sided"))
        what = "power fails, 4 counts not saved"
        cut_s = round(slot.span_s * 0.9, 3)
        self._at(slot, cut_s, lambda: self._college.power_cut(slot.printer, 1.5), what)
        self._plant(slot, what, ("meter-went-back",), ("printer-restarted", "meter-silent"), after_s=cut_s)

    def wrong_name(self, slot: Slot) -> None:
        self._by_badge(slot, self._job(slot, pages=4, faults=frozenset({"wrong-printer-name"})))
        self._college.planted.append(
            Planted(
                what="notices with a name nobody knows",
                at_s=slot.at_s + BADGE_S,
                printer=slot.printer,
                expected=(("unknown-printer", slot.printer + WRONG_NAME_SUFFIX), ("stray-pages", slot.printer)),
            )
        )


_FAULTS: Final = (
    WorkingDay.copies_twice,
    WorkingDay.duplicate_that_differs,
    WorkingDay.jam_loses_a_sheet,
    WorkingDay.past_the_queue,
    WorkingDay.no_end_notice,
    WorkingDay.silent_meter,
    WorkingDay.lost_forward,
    WorkingDay.replaced,
    WorkingDay.power_cut,
    WorkingDay.wrong_name,
)
# These last into the printer's next slot, in which nothing is released.
_LONG: Final = frozenset({WorkingDay.silent_meter, WorkingDay.lost_forward, WorkingDay.power_cut})


def a_working_day(college: College, seed: int, length_s: float = 50.0) -> Scenario:
    """The default script; ``college.planted`` then lists the faults. Everything rests ``CLOSING_S`` before the end."""
    return WorkingDay(college, seed, length_s).build()
