"""A printer's life on one time axis: the meter as steps, brackets and gaps as bands, a lane for each kind of event.

Places along the axis are in hundredths of its width, so that it is drawn as wide as the page; heights are pixels. It
has as many marks as queries.printer_life tells facts, and no more.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Final, Literal
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.periods import local
from pagereeve.domain.ledger import Stretch, Verdict
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.queries.printer_life import Level, Life, Rise

METER_HEIGHT: Final = 150
# The line keeps so far from the upper and the lower edge.
MARGIN: Final = 14
LANE_HEIGHT: Final = 40
# A figure stands so far above a line, or so far below it.
CLEAR: Final = 5
TEXT_HEIGHT: Final = 14
# A mark must be seen, however short it lasted.
LEAST_WIDTH: Final = 0.25
TICKS_MAX: Final = 4
DAY_US: Final = 86_400 * SECOND_US
_SPANS_US: Final = (
    *(one * SECOND_US for one in (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1_800, 3_600, 7_200, 10_800)),
    *(one * 3_600 * SECOND_US for one in (6, 12)),
    *(one * DAY_US for one in (1, 2, 7, 14, 30, 61, 91, 182, 365, 730, 1_826)),
)

BandName = Literal["fits", "differs", "gap"]
LaneName = Literal["releases", "badges", "silences", "restarts", "notes", "findings", "release", "window", "others"]


@dataclass(frozen=True, slots=True)
class Mark:
    """``x`` and ``width`` in hundredths of the axis."""

    x: float
    width: float


@dataclass(frozen=True, slots=True)
class Band:
    name: BandName
    x: float
    width: float


@dataclass(frozen=True, slots=True)
class Line:
    """A part of the meter's steps: level, or (``rise``) from one level to the next. x in hundredths, y in pixels."""

    x1: float
    y1: float
    x2: float
    y2: float
    rise: bool


@dataclass(frozen=True, slots=True)
class Bar:
    """What the meter rose by in a span; ``known`` False: nobody can say."""

    x: float
    width: float
    height: float
    known: bool


@dataclass(frozen=True, slots=True)
class Lane:
    name: LaneName
    y: int
    marks: Sequence[Mark]


@dataclass(frozen=True, slots=True)
class Tick:
    x: float
    text: str


@dataclass(frozen=True, slots=True)
class Height:
    """What the meter showed at this height; ``y``: where its figure is written, clear of the meter's own line.
    ``rise``: it is above the floor on which each run stands.
    """

    y: float
    value: int
    rise: bool = False


@dataclass(slots=True)
class LifePicture:
    """``runs``: the least and the most that each meter run showed. They stand on one floor, at one scale, which
    ``heights`` tell.
    """

    height: int
    runs: list[tuple[int, int]] = field(default_factory=list)
    heights: list[Height] = field(default_factory=list)
    bands: list[Band] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    bars: list[Bar] = field(default_factory=list)
    lanes: list[Lane] = field(default_factory=list)
    ticks: list[Tick] = field(default_factory=list)

    def add_lane(self, name: LaneName, marks: Sequence[Mark]) -> None:
        self.lanes.append(Lane(name, self.height, marks))
        self.height += LANE_HEIGHT


@dataclass(frozen=True, slots=True)
class Axis:
    """From ``from_us`` to ``to_us``, in hundredths of its width."""

    from_us: int
    to_us: int

    def x(self, at_us: int) -> float:
        share = (at_us - self.from_us) / (self.to_us - self.from_us)
        return round(100 * min(max(share, 0.0), 1.0), 3)

    def mark(self, from_us: int, to_us: int) -> Mark:
        """Moved to the left where it would end behind the axis."""
        x = self.x(from_us)
        width = max(self.x(to_us) - x, LEAST_WIDTH)
        return Mark(min(x, round(100 - width, 3)), round(width, 3))


def picture_of(life: Life, zone: ZoneInfo) -> LifePicture:
    axis = Axis(life.from_us, life.to_us)
    picture = draw_meter(axis, life.stretches, life.levels, ticks_of(life.from_us, life.to_us, zone))
    picture.bars = _bars(axis, life.rises)
    for name, marks in _lanes(axis, life):
        picture.add_lane(name, marks)
    return picture


def draw_meter(axis: Axis, stretches: Iterable[Stretch], levels: Sequence[Level], ticks: Sequence[Tick]) -> LifePicture:
    """The steps of the meter before its brackets and gaps; lanes come below it."""
    picture = LifePicture(METER_HEIGHT, ticks=list(ticks))
    picture.bands = [band for one in stretches if (band := _band(axis, one)) is not None]
    _draw_steps(picture, axis, levels)
    return picture


def _band(axis: Axis, stretch: Stretch) -> Band | None:
    """A gap in which nothing was counted is no band."""
    if not stretch.releases and stretch.counted == 0:
        return None
    differs = stretch.verdict not in {Verdict.AGREES, None}
    name: BandName = "gap" if not stretch.releases else "differs" if differs else "fits"
    mark = axis.mark(stretch.opens_us, stretch.closes_us)
    return Band(name, mark.x, mark.width)


def _draw_steps(picture: LifePicture, axis: Axis, levels: Sequence[Level]) -> None:
    """A new device may show any count: each run stands on the floor, so that its own steps can be seen."""
    runs: list[list[Level]] = []
    for one in levels:
        if not one.joined or not runs:
            runs.append([])
        runs[-1].append(one)
    picture.runs = [(min(one.value for one in run), max(one.value for one in run)) for run in runs]
    picture.heights = _heights(picture.runs)
    highest = max((most - least for least, most in picture.runs), default=0)
    for run, (least, _) in zip(runs, picture.runs, strict=True):
        _draw_run(picture, axis, run, least, highest)


def _heights(runs: Sequence[tuple[int, int]]) -> list[Height]:
    if not runs:
        return []
    if len(runs) > 1:
        highest = max(most - least for least, most in runs)
        return [Height(MARGIN + TEXT_HEIGHT, highest, rise=True)] if highest else []
    [(least, most)] = runs
    if least == most:
        return [Height(METER_HEIGHT / 2 - CLEAR, least)]
    return [Height(METER_HEIGHT - MARGIN - CLEAR, least), Height(MARGIN + TEXT_HEIGHT, most)]


def _draw_run(picture: LifePicture, axis: Axis, run: Sequence[Level], least: int, highest: int) -> None:
    def y(value: int) -> float:
        share = (value - least) / highest if highest else 0.5
        return round(METER_HEIGHT - MARGIN - (METER_HEIGHT - 2 * MARGIN) * share, 2)

    for before, one in zip([None, *run], run, strict=False):
        from_x, to_x = axis.x(one.from_us), axis.x(one.to_us)
        if before is not None:
            # Somewhere between the two readings it rose: nobody knows when.
            picture.lines.append(Line(axis.x(before.to_us), y(before.value), from_x, y(one.value), rise=True))
        picture.lines.append(Line(from_x, y(one.value), max(to_x, min(100.0, from_x + 0.1)), y(one.value), rise=False))


def _bars(axis: Axis, rises: Iterable[Rise]) -> list[Bar]:
    spans = list(rises)
    most = max((one.pages or 0 for one in spans), default=0)
    bars = []
    for one in spans:
        mark = axis.mark(one.from_us, one.to_us)
        share = (one.pages or 0) / most if most else 0.0
        height = (METER_HEIGHT - MARGIN) * share if one.pages is not None else float(MARGIN)
        bars.append(Bar(mark.x, round(mark.width * 0.85, 3), round(height, 2), one.pages is not None))
    return bars


def _lanes(axis: Axis, life: Life) -> list[tuple[LaneName, list[Mark]]]:
    def instants(several_us: Iterable[int]) -> list[Mark]:
        return [axis.mark(at_us, at_us) for at_us in several_us]

    findings = instants(max(one.since_us, life.from_us) for one in life.findings)
    notes = instants(one.origin.at_us for one in life.notes)
    if life.coarse:
        return [("notes", notes), ("findings", findings)]
    return [
        ("releases", [axis.mark(one.started_us, one.ended_us or one.started_us) for one in life.releases]),
        ("badges", instants(life.badges_us)),
        ("silences", [axis.mark(one.first_sent_us, one.last_received_us) for one in life.silences]),
        ("restarts", instants(one.at_us for one in life.restarts)),
        ("notes", notes),
        ("findings", findings),
    ]


def ticks_of(from_us: int, to_us: int, zone: ZoneInfo) -> list[Tick]:
    """At most TICKS_MAX, at even local times, none so near an end that its text would be cut off."""
    axis = Axis(from_us, to_us)
    step_us = next((one for one in _SPANS_US if (to_us - from_us) / one <= TICKS_MAX), _SPANS_US[-1])
    form = "%H:%M:%S" if step_us < 60 * SECOND_US else "%H:%M" if step_us < DAY_US else "%m-%d"
    if to_us - from_us > 330 * DAY_US:
        form = "%Y-%m"
    offset_us = int((local(from_us, zone).utcoffset() or timedelta()).total_seconds()) * SECOND_US
    first_us = -(-(from_us + offset_us) // step_us) * step_us - offset_us
    places = range(first_us, to_us, step_us)
    ticks = [Tick(axis.x(at_us), local(at_us, zone).strftime(form)) for at_us in places]
    return [one for one in ticks[: TICKS_MAX + 1] if 6 <= one.x <= 94]
