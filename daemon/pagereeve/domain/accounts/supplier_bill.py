"""A supplier's statement of a meter, held against the readings: which line agrees, which differs and by what, and of
which nothing can be said.

The figure of an instant lies between what the meter showed last before it and what it showed first after it. A bill
names days more often than instants: any instant of the day may then be meant.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum


@dataclass(frozen=True, slots=True)
class BilledFigure:
    """What the bill says that the meter showed at some instant in [from_us, until_us]."""

    figure: int
    from_us: int
    until_us: int


@dataclass(frozen=True, slots=True)
class BillLine:
    """``line`` is its number in the file; ``channel`` what it counts (``total``, ``mono``, ``colour``, ...)."""

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
    """The meter showed ``figure`` at ``at_us``."""

    figure: int
    at_us: int


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
    OTHER_DEVICE = "other-device"


@dataclass(frozen=True, slots=True)
class PanelShown:
    """Somebody read ``figure`` from the panel at ``at_us``: ``off`` is by how much that lies beyond what the meter
    showed around then (below 0: short of it); None where the meter was not read.
    """

    figure: int
    at_us: int
    off: int | None


@dataclass(frozen=True, slots=True)
class CheckedFigure:
    """``before`` and ``after`` are the readings around it; ``off`` is by how much the bill says more than the most, or
    (below 0) less than the least, that the meter can have shown.

    ``panels`` are what people read from the panel at such an instant. ``by_panel``: the meter was not read, and all of
    this is what people read from the panel, which is no better than they are.
    """

    billed: BilledFigure
    agreement: Agreement
    before: Shown | None = None
    after: Shown | None = None
    off: int = 0
    why: Unsaid = Unsaid.NOTHING
    panels: tuple[PanelShown, ...] = ()
    by_panel: bool = False


class Match(StrEnum):
    """What became of a line's serial number."""

    FOUND = "found"
    NOBODY = "nobody"
    SEVERAL = "several"


@dataclass(frozen=True, slots=True)
class CheckedLine:
    """``counted`` are the least and the most that the meter can have counted between the two instants, where both are
    known to lie on one run. ``printers`` are those that gave the serial number: one, unless ``match`` says otherwise.
    ``again`` is the number of another line that bills some of the same pages.
    """

    line: BillLine
    match: Match
    printers: tuple[str, ...] = ()
    opening: CheckedFigure | None = None
    closing: CheckedFigure | None = None
    counted: tuple[int, int] | None = None
    again: int | None = None

    @property
    def agreement(self) -> Agreement:
        """A line differs if anything of it does; it agrees only if all of it is known to."""
        said = [Agreement.UNKNOWN if one is None else one.agreement for one in (self.opening, self.closing)]
        if self.again is not None or Agreement.DIFFERS in said:
            return Agreement.DIFFERS
        return Agreement.UNKNOWN if Agreement.UNKNOWN in said else Agreement.AGREES


def serial_key(serial: str) -> str:
    """Written by people: neither case nor blanks nor hyphens tell two serial numbers apart."""
    return "".join(serial.split()).replace("-", "").casefold()


def billed_again(lines: Iterable[BillLine]) -> dict[int, int]:
    """By a line's number the number of one before it in time that bills some of the same pages: of the same device and
    counter both their times and their figures have a part in common.
    """
    found: dict[int, int] = {}
    latest: dict[tuple[str, str], BillLine] = {}
    for line in sorted(lines, key=lambda one: (one.opening.from_us, one.opening.figure, one.line)):
        key = (serial_key(line.serial), line.channel)
        known = latest.get(key)
        if known is not None and _share_pages(known, line):
            found[line.line] = known.line
        if known is None or known.closing.until_us < line.closing.until_us:
            latest[key] = line
    return found


def _share_pages(one: BillLine, other: BillLine) -> bool:
    together = one.opening.from_us < other.closing.until_us and other.opening.from_us < one.closing.until_us
    least, most = max(one.opening.figure, other.opening.figure), min(one.closing.figure, other.closing.figure)
    return together and least < most


def joined(
    line: BillLine, printer: str, opening: CheckedFigure, closing: CheckedFigure, *, one_run: bool
) -> CheckedLine:
    """The line of one printer, of its two ends; ``one_run``: what the meter showed at both can be subtracted."""
    return CheckedLine(line, Match.FOUND, (printer,), opening, closing, _counted(opening, closing) if one_run else None)


def check_figure(
    billed: BilledFigure, before: Shown | None, after: Shown | None, *, one_run: bool = True
) -> CheckedFigure:
    """Whether the figure lies between the last reading before it and the first one after it, which may be the same.

    Where the two can't be subtracted (not ``one_run``, or the meter wrapped) no figure in between is known.
    """
    if before is None or after is None:
        why = Unsaid.NO_READING_BEFORE if before is None else Unsaid.NO_READING_AFTER
        return CheckedFigure(billed, Agreement.UNKNOWN, before, after, why=why)
    if not one_run or after.figure < before.figure:
        return CheckedFigure(billed, Agreement.UNKNOWN, before, after, why=Unsaid.METER_CHANGED)
    off = max(billed.figure - after.figure, 0) or min(billed.figure - before.figure, 0)
    return CheckedFigure(billed, Agreement.DIFFERS if off else Agreement.AGREES, before, after, off)


def beside_panel(checked: CheckedFigure, panels: Sequence[PanelShown]) -> CheckedFigure:
    """With what people read from the panel (in order of time): a witness beside the meter, and in its place where it
    was not read.
    """
    billed = checked.billed
    there = tuple(one for one in panels if billed.from_us <= one.at_us <= billed.until_us)
    if checked.why not in {Unsaid.NO_READING_BEFORE, Unsaid.NO_READING_AFTER} or not panels:
        return replace(checked, panels=there)
    same = next((one for one in there if one.figure == billed.figure), None)
    before = same or next((one for one in reversed(panels) if one.at_us <= billed.from_us), None)
    after = same or next((one for one in panels if one.at_us >= billed.until_us), None)
    if before is None or after is None:
        return replace(checked, panels=there)
    told = check_figure(billed, Shown(before.figure, before.at_us), Shown(after.figure, after.at_us))
    return replace(told, panels=there, by_panel=True)


def _counted(opening: CheckedFigure, closing: CheckedFigure) -> tuple[int, int] | None:
    """The least and the most pages between the two instants."""
    if opening.before is None or opening.after is None or closing.before is None or closing.after is None:
        return None
    least, most = closing.before.figure - opening.after.figure, closing.after.figure - opening.before.figure
    return None if most < 0 else (max(least, 0), most)
