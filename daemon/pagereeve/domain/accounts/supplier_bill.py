"""A supplier's statement of a meter, held against the readings: which line agrees, which differs and by what, and of
which nothing can be said.

The figure of an instant lies between what the meter showed last before it and what it showed first after it. A bill
names days more often than instants: any instant of the day may then be meant.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from pagereeve.domain.ledger import Stretch


@dataclass(frozen=True, slots=True)
class BilledFigure:
    """What the bill says that the meter showed at some instant in [from_us, until_us]."""

    figure: int
    from_us: int
    until_us: int


@dataclass(frozen=True, slots=True)
class BillLine:
    """``line`` is its number in the file; ``channel`` what it counts (``total``, ``mono``, ``color``, ...)."""

    line: int
    serial: str
    channel: str
    opening: BilledFigure
    closing: BilledFigure

    @property
    def pages(self) -> int:
        return self.closing.figure - self.opening.figure


@dataclass(frozen=True, slots=True)
class Shown:
    """The meter showed ``figure`` at ``at_us``, on its run ``run``."""

    figure: int
    at_us: int
    run: int


class Agreement(StrEnum):
    AGREES = "agrees"
    DIFFERS = "differs"
    UNKNOWN = "unknown"


class Unsaid(StrEnum):
    """Why nothing can be said of a figure."""

    NOTHING = ""
    NO_READING_BEFORE = "no-reading-before"
    NO_READING_AFTER = "no-reading-after"
    METER_CHANGED = "meter-changed"
    NO_SUCH_CHANNEL = "no-such-channel"


@dataclass(frozen=True, slots=True)
class CheckedFigure:
    """``before`` and ``after`` are the readings around it; ``off`` is by how much the bill says more than the most, or
    (below 0) less than the least, that the meter can have shown.
    """

    billed: BilledFigure
    agreement: Agreement
    before: Shown | None = None
    after: Shown | None = None
    off: int = 0
    why: Unsaid = Unsaid.NOTHING


class Match(StrEnum):
    """What became of a line's serial number."""

    FOUND = "found"
    NOBODY = "nobody"
    SEVERAL = "several"


@dataclass(frozen=True, slots=True)
class CheckedLine:
    """``counted`` are the least and the most that the meter can have counted between the two instants, where both are
    known to lie on one run. ``printers`` are those that gave the serial number: one, unless ``match`` says otherwise.
    """

    line: BillLine
    match: Match
    printers: tuple[str, ...] = ()
    opening: CheckedFigure | None = None
    closing: CheckedFigure | None = None
    counted: tuple[int, int] | None = None

    @property
    def agreement(self) -> Agreement:
        """A line differs if anything of it does; it agrees only if all of it is known to."""
        said = [Agreement.UNKNOWN if one is None else one.agreement for one in (self.opening, self.closing)]
        if Agreement.DIFFERS in said:
            return Agreement.DIFFERS
        return Agreement.UNKNOWN if Agreement.UNKNOWN in said else Agreement.AGREES


def serial_key(serial: str) -> str:
    """Written by people: neither case nor blanks nor hyphens tell two serial numbers apart."""
    return "".join(serial.split()).replace("-", "").casefold()


def shown_by(stretches: Iterable[Stretch], channel: str) -> tuple[Shown, ...]:
    """What the meter showed at each cut, in order: a stretch's opening figure held up to its opening, its closing one
    from its closing on.
    """
    shown: set[tuple[int, int, int]] = set()
    for one in stretches:
        if one.channel == channel:
            shown |= {(one.opens_us, one.run, one.before)} if one.before is not None else set()
            shown |= {(one.closes_us, one.run, one.after)} if one.after is not None else set()
    return tuple(Shown(figure, at_us, run) for at_us, run, figure in sorted(shown))


def checked(line: BillLine, shown: Sequence[Shown], printer: str) -> CheckedLine:
    """``shown`` in order of time: what one printer's meter showed at its cuts, or was last seen to show."""
    opening, closing = check_figure(line.opening, shown), check_figure(line.closing, shown)
    return CheckedLine(line, Match.FOUND, (printer,), opening, closing, _counted(opening, closing))


def check_figure(billed: BilledFigure, shown: Sequence[Shown]) -> CheckedFigure:
    """The readings around the instant, and whether the figure lies between them."""
    before = next((one for one in reversed(shown) if one.at_us <= billed.from_us), None)
    after = next((one for one in shown if one.at_us >= billed.until_us), None)
    if why := _unsaid(before, after, shown):
        return CheckedFigure(billed, Agreement.UNKNOWN, before, after, why=why)
    assert before is not None and after is not None  # noqa: S101, PT018 - said by _unsaid
    off = max(billed.figure - after.figure, 0) or min(billed.figure - before.figure, 0)
    return CheckedFigure(billed, Agreement.DIFFERS if off else Agreement.AGREES, before, after, off)


def _unsaid(before: Shown | None, after: Shown | None, shown: Sequence[Shown]) -> Unsaid:
    if not shown:
        return Unsaid.NO_SUCH_CHANNEL
    if before is None:
        return Unsaid.NO_READING_BEFORE
    if after is None:
        return Unsaid.NO_READING_AFTER
    # Of two runs, and where a run wrapped, no figure in between is known.
    if before.run != after.run or after.figure < before.figure:
        return Unsaid.METER_CHANGED
    return Unsaid.NOTHING


def _counted(opening: CheckedFigure, closing: CheckedFigure) -> tuple[int, int] | None:
    """The least and the most pages between the two instants."""
    ends = (opening.before, opening.after, closing.before, closing.after)
    if Agreement.UNKNOWN in (opening.agreement, closing.agreement) or len({one.run for one in ends if one}) != 1:
        return None
    first, second, third, fourth = (0 if one is None else one.figure for one in ends)
    return max(third - second, 0), fourth - first
