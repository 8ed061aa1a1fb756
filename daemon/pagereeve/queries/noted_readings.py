"""Noted readings of panels: what may be noted, what stands, and how far each lies from what the meter showed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

from pagereeve.domain.accounts.panel_check import Beside, MeterDistance, beside, distance, is_slip, shown_text
from pagereeve.domain.accounts.supplier_bill import Shown
from pagereeve.domain.facts.facts import ReadingNoted
from pagereeve.domain.facts.noted_reading import READINGS_SOURCE
from pagereeve.domain.facts.panel import PanelReading, panel_readings, standing
from pagereeve.domain.facts.reading import Plateau
from pagereeve.domain.facts.source_clock import FUTURE_MAX_US
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import FOREVER_US, to_text
from pagereeve.ports.noted_readings import MeterReads, PanelReads
from pagereeve.queries.newest_reading import newest_plateau
from pagereeve.queries.readings_around import readings_around

LIST: Final = "pagereeve noted-readings lists them"


@dataclass(frozen=True, slots=True)
class Seen:
    """A noted reading, and the meter around it."""

    panel: PanelReading
    meter: MeterDistance


async def judged(held: PanelReads, noted: ReadingNoted, is_known: Callable[[str], bool]) -> ReadingNoted:
    """The reading on its printer's timeline, at the instant at which it was read. Raises BadFact where it can't be."""
    if noted.origin.source != READINGS_SOURCE:
        raise BadFact("source", f"must be {READINGS_SOURCE} for readings of a panel, whoever sends them")
    # One that is sent again stands already, and is no second one.
    known = [one for one in [one async for one in held.noted_readings()] if one.origin.id != noted.origin.id]
    panels = panel_readings(known)
    if noted.said.voids:
        return _void(noted, panels)
    read_us = noted.said.read_us
    if read_us is None:
        raise BadFact("data.read", "is missing; it is when the figure was read")
    if not is_known(noted.printer):
        raise BadFact("data.printer", f"{noted.printer[:40]!r} is no printer of the settings")
    placed = replace(noted, origin=replace(noted.origin, at_us=read_us))
    await _require_instant(held, placed)
    await _require_channel(held, placed)
    stand = [one for one in panels if one.taken_back is None]
    near = beside(stand, placed.printer, placed.said.channel, placed.origin.at_us)
    _require_fit(placed, near)
    await _require_no_slip(held, placed, near)
    return placed


def _void(noted: ReadingNoted, panels: list[PanelReading]) -> ReadingNoted:
    name = noted.said.voids
    panel = next((one for one in panels if one.noted.origin.id == name), None)
    if panel is None:
        raise BadFact("data.voids", f"{name[:60]!r} is no noted reading; {LIST}")
    if panel.taken_back is not None:
        raise BadFact("data.voids", f"{name[:60]!r} was taken back already")
    said = replace(noted.said, read_us=panel.at_us)
    return replace(noted, printer=panel.noted.printer, said=said, origin=replace(noted.origin, at_us=panel.at_us))


async def _require_instant(held: PanelReads, noted: ReadingNoted) -> None:
    at_us = noted.origin.at_us
    if at_us - noted.origin.received_us > FUTURE_MAX_US:
        raise BadFact("data.read", f"{to_text(at_us)} lies in the future; say when the figure was read")
    first_us = (await held.growth(at_us)).oldest_us
    if first_us is not None and at_us < first_us:
        text = f"{to_text(at_us)} is before the journal's first fact ({to_text(first_us)}): nothing is accounted there"
        raise BadFact("data.read", text)


async def _require_channel(held: PanelReads, noted: ReadingNoted) -> None:
    newest = await newest_plateau(held, noted.printer)
    if newest is not None and noted.said.channel not in newest.sight.channels:
        text = f"the meter of {noted.printer} has no channel {noted.said.channel!r}; it has "
        raise BadFact("data.channel", text + ", ".join(newest.sight.channels))


def _require_fit(noted: ReadingNoted, near: Beside) -> None:
    figure = noted.said.figure or 0
    if near.at is not None:
        text = f"{near.at.figure} is noted for that instant already ({near.at.noted.origin.id}); take that back first"
        raise BadFact("data.read", text)
    other = near.contradicts(figure)
    if other is not None and not noted.said.despite:
        way = "below" if other is near.before else "above"
        text = (
            f"{figure} is {way} {other.figure}, which was noted for {to_text(other.at_us)} ({other.noted.origin.id}), "
            "and a panel only counts up; look again, take that one back, or say despite (--despite)"
        )
        raise BadFact("data.figure", text)


async def _require_no_slip(held: PanelReads, noted: ReadingNoted, near: Beside) -> None:
    """Beside the meter; where there is none, beside the other figures of the panel."""
    figure, meter = noted.said.figure or 0, await meter_around(held, noted)
    if is_slip(figure, meter):
        text = f"{figure} can't be of this meter, which showed {shown_text(meter)} around then; look again"
        raise BadFact("data.figure", text)
    panel = distance(figure, _figure(near.before), _figure(near.after))
    if not meter.known and not noted.said.despite and is_slip(figure, panel):
        known = shown_text(panel)
        text = f"{figure} is far from what was noted of this panel ({known}); look again, or say despite (--despite)"
        raise BadFact("data.figure", text)


def _figure(panel: PanelReading | None) -> Shown | None:
    return None if panel is None else Shown(panel.figure, panel.at_us)


async def meter_around(held: MeterReads, noted: ReadingNoted) -> MeterDistance:
    """How far the figure lies from what the meter showed around its instant."""
    at_us, channel = noted.origin.at_us, noted.said.channel
    around = await readings_around(held, noted.printer, at_us, at_us)
    return distance(noted.said.figure or 0, _shown(around.before, channel, at_us), _shown(around.after, channel, at_us))


async def noted_readings(
    held: PanelReads, printer: str | None = None, since_us: int = 0, until_us: int = FOREVER_US
) -> list[Seen]:
    """All of them with the meter around each, in order of when they were read; ``held`` is of one moment."""
    panels = panel_readings([one async for one in held.noted_readings()])
    wanted = [one for one in panels if printer in {None, one.noted.printer} and since_us <= one.at_us <= until_us]
    return [Seen(one, await meter_around(held, one.noted)) for one in wanted]


async def panels_read_us(held: PanelReads) -> dict[str, int]:
    """When each printer's panel was read last, of the figures that stand."""
    return {one.noted.printer: one.at_us for one in standing([one async for one in held.noted_readings()])}


def _shown(plateau: Plateau | None, channel: str, at_us: int) -> Shown | None:
    count = None if plateau is None else plateau.sight.count(channel)
    if plateau is None or count is None:
        return None
    return Shown(count.value, min(max(plateau.first_received_us, at_us), plateau.last_sent_us))
