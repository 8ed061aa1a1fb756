"""Pages to charge per person, cost centre or printer for a period: released, counted and charged.

A release belongs to the period in which it started. Different channels and units are never added up.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, Literal, assert_never

from pagereeve.domain.accounts.cost_centres import CostCentres
from pagereeve.domain.accounts.people import People, Who
from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.ledger import Charge, Verdict

By = Literal["person", "cost-centre", "printer"]

OPEN: Final = "open"
_VERDICTS: Final = (*(one.value for one in Verdict), OPEN)


@dataclass(slots=True)
class Figure:
    """A sum that knows what is missing from it: ``unknown`` releases said no number."""

    known: int = 0
    times: int = 0
    unknown: int = 0

    def add(self, pages: int | None) -> None:
        if pages is None:
            self.unknown += 1
        else:
            self.known += pages
            self.times += 1

    def merge(self, other: Figure) -> None:
        self.known += other.known
        self.times += other.times
        self.unknown += other.unknown

    @property
    def pages(self) -> int | None:
        """None where no release said a number: unknown stays unknown, never 0
        (fusioninventory/fusioninventory-for-glpi#1858).
        """
        return self.known if self.times else None


@dataclass(slots=True)
class Total:
    """One line: ``who`` in one channel and unit. ``unit`` is "" where no reading gave it.

    ``charged`` rests on counts, ``unproven`` on claims alone. ``verdicts`` count releases. ``written`` has each way in
    which a person's name was written, and the start of the first release that wrote it so. ``person`` and ``name`` are
    of a person whom a list names; else "".
    """

    who: str
    channel: str
    unit: str
    releases: int = 0
    released: Figure = field(default_factory=Figure)
    counted: Figure = field(default_factory=Figure)
    charged: int = 0
    unproven: int = 0
    verdicts: dict[str, int] = field(default_factory=lambda: dict.fromkeys(_VERDICTS, 0))
    written: dict[str, int] = field(default_factory=dict)
    person: str = ""
    name: str = ""

    @property
    def logins(self) -> tuple[str, ...]:
        """Each once, the first that was written before the others."""
        first: dict[str, str] = {}
        for one in (self.who, *self.also_written):
            first.setdefault(owner_key(one), one)
        return tuple(first.values())

    @property
    def also_written(self) -> tuple[str, ...]:
        """The other ways in which the name was written."""
        return tuple(sorted(self.written.keys() - {self.who}))

    @property
    def billed(self) -> bool:
        """Tickets speak of this channel, so its charges are the bill; other channels are parts of it."""
        return self.channel in CLAIMED_CHANNELS

    def add(self, charge: Charge) -> None:
        self.releases += 1
        self.released.add(charge.released)
        self.counted.add(charge.counted)
        self.charged += charge.charged
        self.unproven += charge.unproven
        self.verdicts[OPEN if charge.verdict is None else charge.verdict.value] += 1

    def merge(self, other: Total) -> None:
        """Add what another line of the same channel and unit holds."""
        self.releases += other.releases
        self.released.merge(other.released)
        self.counted.merge(other.counted)
        self.charged += other.charged
        self.unproven += other.unproven
        for verdict, releases in other.verdicts.items():
            self.verdicts[verdict] += releases
        for name, first_us in other.written.items():
            self.write(name, first_us)

    def write(self, name: str, first_us: int) -> None:
        self.written[name] = min(first_us, self.written.get(name, first_us))


class Totals:
    """Adds up charges, one by one; memory in proportion to the lines. A person is one, however the name is written.

    ``people`` say whose a login is and where it belongs; cost centres alone are enough where nobody is named.
    """

    def __init__(self, by: By, people: People | CostCentres | None = None) -> None:
        self.by: By = by
        self._people = people if isinstance(people, People) else People()
        self._centres = people if isinstance(people, CostCentres) else None
        self._lines: dict[tuple[Who, str, str], Total] = {}

    def add(self, charge: Charge) -> None:
        unit = "" if charge.unit is None else charge.unit.value
        line = self._line(self._who(charge), charge.channel, unit, charge.started_us)
        line.add(charge)
        if self.by == "person":
            line.write(charge.owner, charge.started_us)

    def merge(self, who: str, total: Total, at_us: int) -> None:
        """Add a line that was summed up elsewhere to the line of ``who``, as who that was at an instant."""
        line = self._line(who, total.channel, total.unit, at_us)
        line.merge(total)
        if self.by != "person":
            line.written.clear()

    def _line(self, who: str, channel: str, unit: str, at_us: int) -> Total:
        key = (self._people.who(who, at_us) if self.by == "person" else Who("", who), channel, unit)
        line = self._lines.get(key)
        if line is None:
            line = self._lines[key] = Total(who, channel, unit)
        return line

    def add_all(self, charges: Iterable[Charge]) -> Totals:
        for charge in charges:
            self.add(charge)
        return self

    def lines(self) -> list[Total]:
        """Billed channels first, then in order of name, channel, unit. A person's name is as it was written first."""
        first: dict[Who, tuple[int, str]] = {}
        for (key, _, _), line in self._lines.items():
            for name, first_us in line.written.items():
                first[key] = min((first_us, name), first.get(key, (first_us, name)))
        for (key, _, _), line in self._lines.items():
            line.who = first[key][1] if key in first else line.who
            line.person, line.name = key.person, self._people.name_of(key)
        return ordered(self._lines.values())

    def _who(self, charge: Charge) -> str:
        match self.by:
            case "person":
                return charge.owner
            case "cost-centre":
                return (self._centres or self._people).at(charge.owner, charge.started_us)
            case "printer":
                return charge.printer
        assert_never(self.by)


def ordered(lines: Iterable[Total]) -> list[Total]:
    return sorted(lines, key=lambda one: (not one.billed, one.who, one.person, one.channel, one.unit))
