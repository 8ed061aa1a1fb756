"""A long day at the college: every kind of finding once, each planted on purpose, with ordinary releases in between."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Final

from pagereeve.simulator.college.college import College
from pagereeve.simulator.college.day import CLOSING_S, OPENING_S, Slot, WorkingDay
from pagereeve.simulator.college.scenario import Planted, Scenario
from pagereeve.simulator.errors import BadScenario
from pagereeve.simulator.site.release_server import Fault, HeldJob

LONG_SLOTS: Final = 20
# Half a slot more than an ordinary day's: a release, its rest, and the fault's own time.
LONG_SHORTEST_S: Final = 160.0
BIAS_FROM, BIAS_TO = 5, 19
OUTAGE_FROM, OUTAGE_SLOTS = 16, 1.6

Plan = Callable[["LongDay", Slot], None]


class LongDay(WorkingDay):
    """As a working day, but longer, and with more than one fault a printer; a slot without a plan is ordinary."""

    def __init__(self, college: College, seed: int, length_s: float) -> None:
        if length_s < LONG_SHORTEST_S:
            raise BadScenario(f"a long day of {length_s} s leaves no rest in between; {LONG_SHORTEST_S} s at least")
        super().__init__(college, seed, length_s)
        self._span_s = (length_s - OPENING_S - CLOSING_S) / LONG_SLOTS

    def build(self) -> Scenario:
        printers = self._college.printers
        for nth in range(LONG_SLOTS):
            for place, printer in enumerate(printers):
                at_s = OPENING_S + (nth + place / len(printers)) * self._span_s
                self._turn(Slot(printer, nth, round(at_s, 3), self._span_s))
        self._all_day()
        self._at_the_readers()
        self._no_notices()
        return self.scenario

    def _turn(self, slot: Slot) -> None:
        plans = PLANS.get(slot.printer, {})
        if slot.nth in plans:
            plan = plans[slot.nth]
            if plan is not None:
                plan(self, slot)
        elif slot.printer == BIASED and BIAS_FROM <= slot.nth < BIAS_TO:
            self.one_page_more(slot)
        else:
            self._ordinary(slot)

    def _span_of(self, nth: float) -> float:
        return round(OPENING_S + nth * self._span_s, 3)

    def _job(
        self,
        slot: Slot,
        *,
        pages: int,
        copies: int = 1,
        number_up: int = 1,
        faults: frozenset[Fault] = frozenset(),
    ) -> HeldJob:
        if slot.printer != UNTOLD:
            return super()._job(slot, pages=pages, copies=copies, number_up=number_up, faults=faults)
        copies = copies if slot.nth == COPIES_UNTOLD else 1
        job = super()._job(slot, pages=pages, copies=copies, number_up=number_up, faults=faults)
        return replace(job, tells_copies=False)

    # Faults of printers

    def _all_day(self) -> None:
        """What a printer's agent is like from the beginning on; releases show it."""
        for what, kind, printer in ALL_DAY:
            self._college.planted.append(Planted(what, OPENING_S, printer, ((kind, printer),)))

    def past_the_queue_told(self, slot: Slot) -> None:
        """The printer's own table of jobs has it too. Whose turn is next stays as if somebody had released a job."""
        self._jobs += 1
        self.past_the_queue(slot)
        self._plant_at(slot, "its table of jobs has one that nobody released", ("job-without-release", slot.printer))

    def says_sheets(self, slot: Slot) -> None:
        """From this slot on, and nothing is released in it; then two-sided releases, and impressions again."""
        self._at(slot, 0.5, lambda: self._college.say_unit(slot.printer, "sheets"), "its agent says sheets now")
        self._plant(
            slot,
            "the agent says another unit than it counts in",
            ("unit-changed", "unit-contradicted", "surplus"),
            ("diagnosis",),
        )

    def two_sided(self, slot: Slot) -> None:
        self._by_badge(slot, replace(self._job(slot, pages=8), sides="two-sided-long-edge"))

    def says_impressions(self, slot: Slot) -> None:
        self._at(slot, 0.5, lambda: self._college.say_unit(slot.printer, "impressions"), "it says impressions again")

    def with_fault(self, slot: Slot, fault: Fault, what: str, expected: tuple[str, ...]) -> None:
        self._by_badge(slot, self._job(slot, pages=4, faults=frozenset({fault})))
        self._plant(slot, what, expected)

    def started_twice(self, slot: Slot) -> None:
        self.with_fault(slot, "started-twice", "a start notice comes again under another id", ("repeated-release",))

    def clock_ahead(self, slot: Slot) -> None:
        self.with_fault(slot, "clock-ahead", "a release's notices bear a time an hour ahead", ("source-clock-off",))

    def others_badge(self, slot: Slot) -> None:
        job = self._job(slot, pages=4, faults=frozenset({"others-badge"}))
        self._at(slot, 0.3, lambda: self._college.release_unbadged(job), f"{job.owner} releases {job.name}")
        self._plant_at(
            slot, "a release names the badge of somebody else", ("badge-owner-differs", _place(slot.printer))
        )

    def elsewhere(self, slot: Slot) -> None:
        job = self._job(slot, pages=4, faults=frozenset({"any-gateway"}))
        self._at(slot, 0.0, lambda: self._college.hold(job), "")
        badge = f"{job.owner} badges at another gateway for {job.name}"
        self._at(slot, 0.3, lambda: self._college.badge(job.owner, ELSEWHERE), badge)
        self._plant_at(slot, "a badge at one gateway, its job at another", ("badge-elsewhere", _place(slot.printer)))

    def without_badge(self, slot: Slot) -> None:
        job = self._job(slot, pages=3)
        self._at(slot, 0.3, lambda: self._college.release_unbadged(job), f"{job.owner} releases {job.name}")
        what = "a release without a badge, where badges are asked for"
        self._plant(slot, what, ("release-without-badge",))

    def banner(self, slot: Slot) -> None:
        """The ticket says nothing of separator sheets, and each job brings one."""
        job = self._job(slot, pages=4, faults=frozenset({"banner-sheet"}))
        self._by_badge(slot, replace(job, sides="one-sided", tells_separators=False))
        if slot.nth == BANNERS[-1]:
            what = f"{len(BANNERS)} jobs in a row come with a banner sheet that nobody expects"
            self._plant(slot, what, ("surplus", "diagnosis"))

    def copies_untold(self, slot: Slot) -> None:
        """The tickets at this printer never say copies: two of them look like one that counts twice."""
        self._by_badge(slot, replace(self._job(slot, pages=3, copies=2), sides="one-sided"))
        self._plant(slot, "two copies, of which no ticket at this printer says anything", ("tickets-incomplete",))

    def state_sticks(self, slot: Slot) -> None:
        """Until the next slot, in which nothing is released."""
        self._at(slot, 0.1, lambda: self._college.stick_state(slot.printer, sticks=True), "its state will stick")
        self._by_badge(slot, replace(self._job(slot, pages=4), sides="one-sided"))
        after_s = round(slot.span_s * 1.7, 3)
        self._at(
            slot, after_s, lambda: self._college.stick_state(slot.printer, sticks=False), "its state is right again"
        )
        self._plant(slot, "the state stays at printing after the last page", ("state-not-believed",))

    def toner_lit(self, slot: Slot) -> None:
        """Through the next slots, in which it prints as ever: nothing is to be found."""
        self._at(slot, 0.1, lambda: self._college.light_toner(slot.printer, lit=True), "its toner light is on")
        self._ordinary(slot)
        self._at(
            slot,
            round(slot.span_s * (TONER_SLOTS - 0.2), 3),
            lambda: self._college.light_toner(slot.printer, lit=False),
            "its toner light is off",
        )

    def crowded(self, slot: Slot) -> None:
        """Several people at once, whose pages follow one another without a rest: nothing is to be found."""
        gateway = self._college.printer(slot.printer).place.gateway
        for nth in range(CROWD):
            job = replace(self._job(slot, pages=3), sides="one-sided")
            what = f"{job.owner} badges for {job.name}, in a crowd"
            self._at(slot, 0.6 * nth, partial(self._college.hold, job), "")
            self._at(slot, 0.6 * nth + 0.3, partial(self._college.badge, job.owner, gateway), what)

    def nothing_sent(self, slot: Slot) -> None:
        self._by_badge(slot, self._job(slot, pages=3, faults=frozenset({"not-sent"})))
        if slot.nth == NOT_SENT[-1]:
            what = f"{len(NOT_SENT)} releases end as completed, and nothing was sent"
            self._plant(slot, what, ("shortfall", "meter-stands-still"))

    def one_page_more(self, slot: Slot) -> None:
        """Every second job of the tolerant printer comes with a page too many: within its tolerance, each."""
        faults: frozenset[Fault] = frozenset({"one-page-more"} if slot.nth % 2 else ())
        job = replace(self._job(slot, pages=5, faults=faults), sides="one-sided")
        self._by_badge(slot, job)
        if slot.nth == BIAS_FROM:
            self._plant(slot, "every second job has a page too many, and one is tolerated", ("steady-bias",))

    def jumps(self, slot: Slot) -> None:
        count = 700_000
        self._at(slot, 0.5, lambda: self._college.put_meter(slot.printer, count), "somebody sets the meter")
        self._plant(slot, "the meter jumps by half a million pages", ("meter-jumped",))

    def other_unit(self, slot: Slot) -> None:
        self._at(slot, 0.5, lambda: self._college.change_unit(slot.printer, "hours"), "the meter counts hours now")
        self._at(slot, 4.5, lambda: self._college.change_unit(slot.printer, "impressions"), "impressions again")
        self._plant(slot, "the meter counts hours for a while", ("unit-not-usable",))

    def replaced_inside(self, slot: Slot) -> None:
        """Before its first sheet: what a device marks after its last reading, nobody can know once it is gone."""
        self._by_badge(slot, replace(self._job(slot, pages=6), sides="one-sided"))
        serial = f"{self._college.printer(slot.printer).place.spec.serial}-C"
        what = "another device takes its place while a release prints"
        self._at(slot, 0.0, lambda: self._college.replace_before_sheet(slot.printer, serial, 60_000), what)
        self._plant(
            slot, what, ("meter-replaced", "unproven-release"), ("meter-went-back", "meter-jumped", "printer-restarted")
        )

    def tray_empty(self, slot: Slot) -> None:
        """Through the next slots, in which nothing is released."""
        self._at(slot, 0.1, lambda: self._college.paper_out(slot.printer, 2), "the tray holds two sheets")
        self._by_badge(slot, replace(self._job(slot, pages=6), sides="one-sided"))
        refill_s = slot.span_s * (TRAY_EMPTY_SLOTS - 0.5)
        self._at(slot, refill_s, lambda: self._college.refill(slot.printer), "somebody fills the tray")
        self._plant(slot, "the tray is empty for long while a release prints", ("windows-waiting",))

    def power_inside(self, slot: Slot) -> None:
        self._by_badge(slot, replace(self._job(slot, pages=8), sides="one-sided"))
        what = "the power fails while a release prints, and neither count nor job is lost"
        self._at(slot, 1.4, lambda: self._college.power_cut(slot.printer, 1.2), what)
        self._plant(slot, what, ("printer-restarted",), ("meter-silent",))

    # Faults of readers and feeds

    def _plant_at(self, slot: Slot, what: str, pair: tuple[str, str]) -> None:
        self._college.planted.append(Planted(what, slot.at_s, slot.printer, (pair,)))

    def _plant_place(self, at_s: float, what: str, kind: str, place: str) -> None:
        self._college.planted.append(Planted(what, at_s, place, ((kind, place),)))

    def _at_the_readers(self) -> None:
        college, at = self._college, self.scenario.at
        places_s = (self._span_of(nth) for nth in (9.05, 10.05, 11.05, 12.05, 13.05))
        unknown_s, twice_s, noisy_s, flood_s, changed_s = places_s
        at(unknown_s, lambda: college.present("99999999", "library"), "library: a badge that nobody owns")
        reader = "the reader at gateway {}".format
        self._plant_place(unknown_s, "a badge is presented that nobody owns", "unknown-badge", reader("library"))
        lent = self._users[-1]
        at(twice_s, lambda: college.badge(lent, "library"), f"library: {lent} badges")
        at(twice_s + 0.05, lambda: college.badge(lent, "science"), f"science: so does {lent}, at once")
        places = "gateways library and science"
        self._plant_place(twice_s, "one badge at two gateways at once", "badge-in-two-places", places)
        for nth in range(6):
            what = "" if nth else "art: the reader gives noise"
            at(noisy_s + 0.03 * nth, lambda: college.present("?#!", "art"), what)
        self._plant_place(noisy_s, "a reader gives noise", "reader-noisy", reader("art"))
        for nth in range(FLOOD):
            what = "" if nth else "science: the reader makes up badges"
            at(flood_s + 0.05 * nth, partial(college.present, str(FLOOD_FROM + nth), "science"), what)
        self._plant_place(flood_s, "a reader makes up a dozen badges", "reader-flooded", reader("science"))
        for nth, user in enumerate(self._users[-4:-1]):
            number = int.from_bytes(int(college.badge_of(user)).to_bytes(4, "big"), "little")
            what = "" if nth else "offices: the reader writes bytes the other way round"
            at(changed_s + 0.2 * nth, partial(college.present, str(number), "offices"), what)
        what = "a reader writes numbers the other way round"
        self._plant_place(changed_s, what, "reader-form-changed", reader("offices"))

    def _no_notices(self) -> None:
        begins_s, ends_s = (self._span_of(OUTAGE_FROM + more) for more in (0.0, OUTAGE_SLOTS))
        at, college = self.scenario.at, self._college
        at(begins_s, lambda: college.outage(begins=True), "the release server's notices are held up")
        at(ends_s, lambda: college.outage(begins=False), "the backlog of notices goes out")
        what = "badges are presented, and no release notice comes"
        self._plant_place(begins_s, what, "feed-silent", "release notices")


def _place(printer: str) -> str:
    return f"printer {printer}"


BIASED: Final = "admissions"
ELSEWHERE: Final = "library"
# Its tickets never say copies; once there are two.
UNTOLD: Final = "science-office"
COPIES_UNTOLD: Final = 9
# More badges that nobody owns than one reader has people before it; each fits the readers' form.
FLOOD: Final = 12
FLOOD_FROM: Final = 3_900_000_001
BANNERS: Final = (8, 9, 10)
NOT_SENT: Final = (5, 6, 7)
TONER_SLOTS: Final = 4
CROWD: Final = 3
TRAY_EMPTY: Final = 5
TRAY_EMPTY_SLOTS: Final = 7
SAYS_SHEETS: Final = 11
# What is so all day: what it is, the finding, the printer.
ALL_DAY: Final = (
    ("its agent does not say what its counter steps in", "unit-assumed", "library-upper"),
    ("it has a second marker, which never moves", "witnesses-disagree", "bursary"),
)
# What is planted, by printer and slot; None is a slot in which nothing is released.
PLANS: Final[dict[str, dict[int, Plan | None]]] = {
    "library-ground": {
        2: WorkingDay.copies_twice,
        **dict.fromkeys(range(TRAY_EMPTY, TRAY_EMPTY + TRAY_EMPTY_SLOTS)),
        TRAY_EMPTY: LongDay.tray_empty,
    },
    "library-upper": {
        2: WorkingDay.duplicate_that_differs,
        4: LongDay.started_twice,
        7: LongDay.clock_ahead,
        11: LongDay.power_inside,
        12: None,
    },
    "science-lab": {2: WorkingDay.jam_loses_a_sheet, 5: LongDay.jumps, 9: LongDay.state_sticks, 10: None},
    "science-prep": {
        2: WorkingDay.past_the_queue,
        **dict.fromkeys(NOT_SENT, LongDay.nothing_sent),
        10: LongDay.past_the_queue_told,
    },
    "science-office": {2: WorkingDay.no_end_notice, 5: LongDay.other_unit, COPIES_UNTOLD: LongDay.copies_untold},
    "art-studio": {2: WorkingDay.silent_meter, 3: None, 7: LongDay.without_badge, 10: LongDay.toner_lit},
    "art-print-room": {
        2: WorkingDay.lost_forward,
        3: None,
        8: LongDay.replaced_inside,
        9: None,
        SAYS_SHEETS: LongDay.says_sheets,
        **dict.fromkeys(range(SAYS_SHEETS + 1, SAYS_SHEETS + 3), LongDay.two_sided),
        SAYS_SHEETS + 3: LongDay.says_impressions,
    },
    "admissions": {2: WorkingDay.replaced},
    "registry": {
        2: WorkingDay.power_cut,
        3: None,
        7: LongDay.elsewhere,
        **dict.fromkeys((10, 12, 14), LongDay.crowded),
    },
    "bursary": {2: WorkingDay.wrong_name, 6: LongDay.others_badge, **dict.fromkeys(BANNERS, LongDay.banner)},
}


def a_long_day(college: College, seed: int, length_s: float = LONG_SHORTEST_S) -> Scenario:
    """The long script; ``college.planted`` then lists the faults."""
    return LongDay(college, seed, length_s).build()
