"""An invented college's year as facts: printers, persons, terms and holidays, and what goes wrong on some days.

Every name is made of a kind and a number. The facts are those that a daemon would have stored: notices as their sender
sends them, readings joined into plateaus by the domain itself. What the paper knows (how far each meter moved) is kept
apart, so that the ledger can be judged by it.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import accumulate
from random import Random
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.periods import Period, day_begins_us, period_of
from pagereeve.domain.brackets.plateaus import record
from pagereeve.domain.facts.facts import (
    Fact,
    Note,
    Origin,
    PlateauRead,
    PolicySet,
    PrinterNoted,
    ReadFailed,
    ReleaseEnded,
    ReleaseStarted,
)
from pagereeve.domain.facts.people import PeopleMerged, PersonNamed, PersonWord
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Count, Failure, PrinterState, Reading, Sight, SilenceReason, Unit
from pagereeve.domain.facts.ticket import Sides, Ticket
from pagereeve.domain.values.instants import SECOND_US

ZONE = ZoneInfo("Europe/Berlin")
YEAR = 2025
SERVER = "/invented/release-server"
DESK = "urn:invented:desk"
MINUTE_US = 60 * SECOND_US
HOUR_US = 60 * MINUTE_US
HOURS = (1, 0, 0, 0, 0, 0, 1, 4, 9, 12, 14, 12, 9, 11, 13, 12, 9, 6, 4, 3, 2, 2, 1, 1)
"""How much is printed in each hour of a day. A library is open all night, so some releases lie over a midnight."""
TERMS = (
    ((1, 7), (2, 14), 10),
    ((2, 15), (4, 6), 2),
    ((4, 7), (7, 18), 9),
    ((7, 19), (9, 30), 1),
    ((10, 1), (12, 19), 10),
)
"""From and to (month, day), and how much is printed on a day of it; between terms the college is closed."""
WEEKEND_SHARE = 0.15
JOINED_SHARE = 0.05
CLOSED_LOAD = 0.1


@dataclass(frozen=True, slots=True)
class Size:
    """``releases`` in the whole year, of all printers together, of which the first ``length`` months are lived through;
    ``persons`` and ``centres`` have something printed.
    """

    printers: int = 200
    releases: int = 1_000_000
    persons: int = 4_000
    centres: int = 40
    length: int = 12
    seed: int = 17

    @property
    def names(self) -> list[str]:
        return [f"printer-{number:03}" for number in range(1, self.printers + 1)]

    def months(self) -> list[Period]:
        return [period_of(f"{YEAR}-{month:02}", ZONE) for month in range(1, self.length + 1)]


def load_of(day: date) -> float:
    known = next((load for begins, ends, load in TERMS if begins <= (day.month, day.day) <= ends), CLOSED_LOAD)
    return known * (WEEKEND_SHARE if day.weekday() >= 5 else 1.0)


def days_of(month: Period) -> list[date]:
    first = date.fromisoformat(f"{month.name}-01")
    days = (first + timedelta(days=nth) for nth in range(31))
    return [day for day in days if day.month == first.month]


def people_facts(size: Size) -> Iterator[Fact]:
    """Each with a login, a name and a cost centre; some change the centre in April, and two turn out to be one."""
    begins_us = day_begins_us(date(YEAR, 1, 1), ZONE)
    april_us = day_begins_us(date(YEAR, 4, 1), ZONE)
    for number in range(size.persons):
        said: list[tuple[PersonWord, str, int]] = [
            ("login", login(number), begins_us),
            ("name", f"Invented Person {number:05}", begins_us),
            ("cost_centre", f"department-{number % size.centres:02}", begins_us),
        ]
        if number % 50 == 0:
            said.append(("cost_centre", f"department-{(number + 7) % size.centres:02}", april_us))
        for word, text, at_us in said:
            yield PersonNamed(at_us, person_id(number), word, text, begins_us, "registry")
    yield PeopleMerged(april_us, person_id(1), person_id(2), "registry", "one person with two logins")


def login(number: int) -> str:
    return f"user-{number:05}"


def person_id(number: int) -> str:
    return f"p-{number:012x}"


@dataclass
class PrinterYear:
    """One printer, from month to month. ``paper`` is how far its meter moved in the year, as the paper knows;
    ``copied`` are instants, and how many pages somebody copied just after.
    """

    name: str
    size: Size
    share: float
    random: Random
    value: int = 0
    colour: int | None = None
    paper: int = 0
    colour_paper: int = 0
    releases: int = 0
    current: PlateauRead | ReadFailed | None = None
    copied: list[tuple[int, int]] = field(default_factory=list)
    _serial: str = ""
    _up_since_us: int = 0
    _facts: list[tuple[int, Fact]] = field(default_factory=list, repr=False)

    @classmethod
    def of(cls, size: Size, number: int, share: float) -> PrinterYear:
        random = Random(f"{size.seed} {number}")
        colour = random.randrange(9_000) if number % 4 == 0 else None
        year = cls(size.names[number], size, share, random, random.randrange(10_000, 400_000), colour)
        year._serial = f"INVENTED-{number:04}"
        return year

    def month(self, month: Period) -> list[Fact]:
        """Its facts, in the order in which they were received; the last plateau reaches beyond the month's end."""
        self._facts = []
        if self.current is None:
            self._begin(month)
        starts = self._starts(month)
        rested_us = month.from_us
        for nth, at_us in enumerate(starts):
            following_us = starts[nth + 1] if nth + 1 < len(starts) else month.to_us
            # Who comes while the printer is busy waits, and is told of when the job goes out.
            rested_us = self._release(max(at_us, rested_us + 30 * SECOND_US))
            self._between(rested_us, following_us)
        self._read(month.to_us + MINUTE_US)
        self._facts.sort(key=lambda one: one[0])
        return [fact for _, fact in self._facts]

    def _begin(self, month: Period) -> None:
        self._up_since_us = month.from_us - HOUR_US
        self._keep(month.from_us - HOUR_US, PolicySet(self.name, month.from_us - HOUR_US, Policy()))
        self._read(month.from_us - 30 * MINUTE_US)

    def _starts(self, month: Period) -> list[int]:
        """Instants at which somebody releases, in order."""
        found: list[int] = []
        for day in days_of(month):
            mean = self.share * self.size.releases / (1 + JOINED_SHARE) * load_of(day) / YEAR_LOAD
            for _ in range(int(mean) + (self.random.random() < mean % 1)):
                hour = bisect_left(_HOURS_SUMMED, self.random.random() * _HOURS_SUMMED[-1])
                found.append(day_begins_us(day, ZONE) + hour * HOUR_US + self.random.randrange(HOUR_US))
        # Over a month's end nobody prints: each month's facts are projected and closed before the next month's come.
        first_us, last_us = month.from_us + 5 * MINUTE_US, month.to_us - 90 * MINUTE_US
        return sorted(at_us for at_us in found if first_us < at_us < last_us)

    def _release(self, at_us: int) -> int:
        """One release, or two that share a bracket. Returns when the meter was read at rest."""
        self._read(at_us - 2 * SECOND_US)
        ends_us = self._print(at_us)
        if self.random.random() < JOINED_SHARE:
            ends_us = self._print(at_us + 3 * SECOND_US, begins_us=ends_us)
        self._read(ends_us + SECOND_US)
        self._read(ends_us + 14 * SECOND_US)
        return ends_us + 14 * SECOND_US

    def _print(self, at_us: int, begins_us: int | None = None) -> int:
        self.releases += 1
        release = f"{self.name}-{self.releases}"
        ticket = self._ticket()
        pages = (ticket.pages or 0) * (ticket.copies or 1)
        late_us = self.random.randrange(MINUTE_US, 3 * HOUR_US) if self.random.random() < 0.002 else 0
        owner = login(int(self.size.persons * self.random.random() ** 2))
        origin = self._origin(f"{release}.started", at_us, late_us)
        self._keep(
            origin.received_us, ReleaseStarted(self.name, origin, release, f"job-{release}", owner, ticket=ticket)
        )
        self._read((begins_us or at_us) + 4 * SECOND_US, PrinterState.PRINTING)
        printed = max(0, pages + self.random.choices([0, -1, 2], [970, 15, 15])[0])
        self._move(printed, printed if ticket.color_mode == "color" else 0)
        ends_us = (begins_us or at_us) + 5 * SECOND_US + pages * SECOND_US // 2
        if self.random.random() > 0.001:
            ended = self._origin(f"{release}.ended", ends_us, late_us)
            self._keep(ended.received_us, ReleaseEnded(self.name, ended, release, "completed", pages))
        return ends_us

    def _ticket(self) -> Ticket:
        choose = self.random
        sides: Sides = "one-sided" if choose.random() < 0.5 else "two-sided-long-edge"
        pages = choose.choices([1, 2, 3, 5, 8, 16, 40], [30, 22, 15, 14, 10, 7, 2])[0]
        copies = choose.choices([1, 2, 5, 30], [88, 8, 3, 1])[0] if pages <= 3 else 1
        in_colour = self.colour is not None and choose.random() < 0.3
        return Ticket(pages, copies, sides, 1, "color" if in_colour else "monochrome", separator_sheets=0)

    def _between(self, at_us: int, following_us: int) -> None:
        """Until the next release: nothing mostly, or somebody copies, the power fails, maintenance, a silent night."""
        free_us = following_us - at_us - 10 * MINUTE_US
        if free_us < 0:
            return
        happening = self.random.random()
        if happening < 0.03:
            pages = self.random.randrange(1, 12)
            self.copied.append((at_us + MINUTE_US, pages))
            self._move(pages, 0)
            self._read(at_us + 5 * MINUTE_US)
        elif happening < 0.032:
            self._up_since_us = at_us + 2 * MINUTE_US
            self._read(at_us + 5 * MINUTE_US)
        elif happening < 0.034:
            self._maintain(at_us + MINUTE_US)
        elif happening < 0.04:
            self._fail(at_us + MINUTE_US, at_us + MINUTE_US + min(free_us, 6 * HOUR_US))

    def _maintain(self, at_us: int) -> None:
        notes: tuple[Note, ...] = ("maintenance-begun", "maintenance-ended")
        for nth, note in enumerate(notes):
            noted_us = at_us + nth * 5 * MINUTE_US
            origin = Origin(DESK, f"{self.name}-{at_us}-{note}", noted_us, noted_us, noted_us)
            self._keep(noted_us, PrinterNoted(self.name, origin, note))
        self._move(self.random.randrange(1, 6), 0)
        self._read(at_us + 4 * MINUTE_US)

    def _fail(self, from_us: int, until_us: int) -> None:
        for at_us in (from_us, until_us):
            self._record(Failure(at_us, at_us + 2 * SECOND_US, SilenceReason.TIMEOUT))

    def _move(self, pages: int, in_colour: int) -> None:
        self.value, self.paper = self.value + pages, self.paper + pages
        if self.colour is not None:
            self.colour, self.colour_paper = self.colour + in_colour, self.colour_paper + in_colour

    def _read(self, at_us: int, state: PrinterState = PrinterState.IDLE) -> None:
        counts = [("total", Count(self.value, Unit.IMPRESSIONS))]
        if self.colour is not None:
            counts.insert(0, ("colour", Count(self.colour, Unit.IMPRESSIONS)))
        sight = Sight(tuple(counts), self._serial, "1.3.6.1.4.1.99999.1", state)
        uptime_cs = (at_us - self._up_since_us) // 10_000 % 2**32
        self._record(Reading(at_us, at_us + 50_000, sight, uptime_cs))

    def _record(self, result: Reading | Failure) -> None:
        recorded = record(self.name, self.current, result)
        self.current = recorded.current
        if recorded.sealed is not None:
            self._keep(result.received_us, recorded.sealed)

    def _origin(self, name: str, at_us: int, late_us: int) -> Origin:
        return Origin(SERVER, name, at_us, at_us + 100_000 + late_us, at_us)

    def _keep(self, received_us: int, fact: Fact) -> None:
        self._facts.append((received_us, fact))


def fleet(size: Size) -> list[PrinterYear]:
    """The busiest printers have some ten times as much to do as the quietest."""
    weights = [1.0 + 9.0 * (nth % 7) ** 2 / 36 for nth in range(size.printers)]
    return [PrinterYear.of(size, nth, weight / sum(weights)) for nth, weight in enumerate(weights)]


def late_facts(years: list[PrinterYear], count: int) -> dict[str, list[Fact]]:
    """So many notices, by printer, of what looked like copies: their releases are told of when the year is over."""
    found: dict[str, list[Fact]] = {}
    received_us = day_begins_us(date(YEAR + 1, 1, 9), ZONE)
    for year in years:
        for at_us, pages in year.copied:
            if count < 2:
                return found
            count -= 2
            found.setdefault(year.name, []).extend(_late_release(year, at_us, pages, received_us))
    return found


def _late_release(year: PrinterYear, at_us: int, pages: int, received_us: int) -> tuple[Fact, Fact]:
    release, ends_us = f"late-{year.name}-{at_us}", at_us + 9 * SECOND_US
    origin = Origin(SERVER, f"{release}.started", at_us, received_us, at_us)
    ends = Origin(SERVER, f"{release}.ended", ends_us, received_us, ends_us)
    ticket = Ticket(pages, 1, "one-sided", 1, "monochrome", separator_sheets=0)
    owner = login(year.random.randrange(year.size.persons))
    return (
        ReleaseStarted(year.name, origin, release, f"job-{release}", owner, ticket=ticket),
        ReleaseEnded(year.name, ends, release, "completed", pages),
    )


_HOURS_SUMMED = list(accumulate(HOURS))
YEAR_LOAD = sum(load_of(date(YEAR, 1, 1) + timedelta(days=nth)) for nth in range(365))
