"""Where the pages of each printer went in a period: what its meter counted, what people and house accounts got.

Persons' pages are from charges, house accounts' from postings, the meter's from stretches: all three must agree.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from pagereeve.domain.accounts.membership import Received, received_in
from pagereeve.domain.accounts.period_sums import HouseSum, MeterSum, PeriodSums
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.totals import OPEN, Total
from pagereeve.domain.brackets.prints import PRINTS_ALONE
from pagereeve.domain.ledger import ACCOUNT_KINDS, HOUSE_KINDS, PEOPLE, Stretch, account_kind, is_house


@dataclass(slots=True)
class PrinterAccounts:
    """One printer, channel and unit.

    ``meter_start`` and ``meter_end`` are the meter's figures at the last cuts before the period began and ended (None:
    no stretch has it). ``meter_restarts`` is what the figures lack where another run of the meter began, or it wrapped,
    in between. ``over_start`` are pages counted in the period that belong to the one before (negative), ``over_end``
    pages that belong here and were counted after it. ``shortfall`` is a negative receipt. What waits stands
    beside it: ``releases_waiting`` are the period's without a verdict, ``pages_waiting`` what the meter counted since
    its last cut (None: not known), in no account yet.
    """

    printer: str
    channel: str
    unit: str = ""
    meter_start: int | None = None
    meter_end: int | None = None
    meter_counted: int = 0
    over_start: int = 0
    over_end: int = 0
    received: dict[str, int] = field(default_factory=lambda: dict.fromkeys(ACCOUNT_KINDS, 0))
    releases_waiting: int = 0
    pages_waiting: int | None = 0

    @property
    def meter_restarts(self) -> int:
        return self.meter_counted - (self.meter_end or 0) + (self.meter_start or 0)

    @property
    def counted(self) -> int:
        """What the meter gave to the period."""
        return self.meter_counted + self.over_start + self.over_end

    @property
    def people(self) -> int:
        return self.received[PEOPLE]

    @property
    def house(self) -> int:
        return sum(self.received[kind] for kind in HOUSE_KINDS)

    @property
    def prints_alone(self) -> bool:
        """The meter counts prints and nothing else: of copies nobody knows, and *conserved* says nothing of them."""
        return self.channel == PRINTS_ALONE

    @property
    def conserved(self) -> bool:
        """What was counted is what people and house accounts received."""
        return self.counted == self.people + self.house


@dataclass(frozen=True, slots=True)
class EdgeStretch:
    """A stretch that lies over an edge of the period: ``pages`` of it belong to the period."""

    stretch: Stretch
    pages: int


@dataclass(frozen=True, slots=True)
class AccountsOfPeriod:
    """``edges`` in order of printer, channel and closing."""

    lines: tuple[PrinterAccounts, ...]
    edges: tuple[EdgeStretch, ...]


def accounts_of(
    period: Period, sums: PeriodSums, waiting: Mapping[tuple[str, str], int | None] | None = None
) -> AccountsOfPeriod:
    """``waiting``: by printer and channel the pages counted since the last cut, where that is known."""
    accounts = _Accounts(period)
    for meter in sums.meters:
        accounts.add_meter(meter)
    edges = [one for segment in sums.edges for one in received_in(segment) if one.lies_over_an_edge_of(period)]
    for one in edges:
        accounts.add_edge(one)
    accounts.add_standing(stretch for segment in sums.edges for stretch in segment.stretches)
    for house in sums.house:
        accounts.add_house(house)
    for total in sums.by_printer:
        accounts.add_people(total)
        accounts.add_waiting(total, waiting or {})
    shown = [EdgeStretch(one.stretch, one.pages_in(period)) for one in edges]
    shown.sort(key=lambda one: (one.stretch.printer, one.stretch.channel, one.stretch.closes_us))
    return AccountsOfPeriod(tuple(accounts.lines()), tuple(shown))


class _Accounts:
    """Meters before the rest: a posting says no unit, its run's stretches do."""

    def __init__(self, period: Period) -> None:
        self._period = period
        self._units: dict[tuple[str, int, str], str] = {}
        self._lines: dict[tuple[str, str, str], PrinterAccounts] = {}

    def _line(self, printer: str, channel: str, unit: str) -> PrinterAccounts:
        key = (printer, channel, unit)
        line = self._lines.get(key)
        if line is None:
            line = self._lines[key] = PrinterAccounts(*key)
        return line

    def add_meter(self, meter: MeterSum) -> None:
        self._units[meter.printer, meter.run, meter.channel] = meter.unit
        line = self._line(meter.printer, meter.channel, meter.unit)
        line.meter_counted += meter.counted
        line.meter_start = meter.first if line.meter_start is None else line.meter_start
        line.meter_end = meter.last if meter.last is not None else line.meter_end

    def add_edge(self, one: Received) -> None:
        """From where the meter counted it to where it belongs."""
        stretch, period = one.stretch, self._period
        self._units.setdefault((stretch.printer, stretch.run, stretch.channel), stretch.unit.value)
        line = self._line(stretch.printer, stretch.channel, stretch.unit.value)
        counted_in = period.holds(stretch.closes_us)
        for receipt in one.receipts:
            belongs = period.holds(receipt.at_us)
            if belongs is counted_in:
                continue
            moved = receipt.pages if belongs else -receipt.pages
            if (stretch.closes_us if belongs else receipt.at_us) < period.from_us:
                line.over_start += moved
            else:
                line.over_end += moved
            if is_house(receipt.account):
                line.received[account_kind(receipt.account)] += moved

    def add_standing(self, stretches: Iterable[Stretch]) -> None:
        """Where nothing closed in the period the meter did not move: it shows what the next stretch to close began at,
        or else what the last one before the period ended with. The next one may be no edge of this period's.
        """
        ordered = sorted(stretches, key=lambda one: (one.closes_us, one.opens_us))
        later = [one for one in ordered if one.closes_us >= self._period.to_us]
        earlier = [one for one in reversed(ordered) if one.closes_us < self._period.from_us]
        for one in (*later, *earlier):
            line = self._lines.get((one.printer, one.channel, one.unit.value))
            if line is not None and line.meter_start is None:
                line.meter_start = line.meter_end = one.before if one.closes_us >= self._period.to_us else one.after

    def add_house(self, house: HouseSum) -> None:
        unit = house.unit or self._units.get((house.printer, house.run, house.channel), "")
        self._line(house.printer, house.channel, unit).received[account_kind(house.account)] += house.pages

    def add_people(self, total: Total) -> None:
        """A release whose bracket is open has no account yet."""
        if total.charged or (total.who, total.channel, total.unit) in self._lines:
            self._line(total.who, total.channel, total.unit).received[PEOPLE] += total.charged

    def add_waiting(self, total: Total, waiting: Mapping[tuple[str, str], int | None]) -> None:
        releases = total.verdicts[OPEN]
        if releases:
            line = self._line(total.who, total.channel, total.unit)
            line.releases_waiting += releases
            line.pages_waiting = waiting.get((total.who, total.channel))

    def lines(self) -> list[PrinterAccounts]:
        return [self._lines[key] for key in sorted(self._lines)]
