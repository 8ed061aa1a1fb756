"""Pages that meters have counted and that no account has yet: they wait for a verdict of the releases around them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from pagereeve.domain.facts.facts import PlateauRead
from pagereeve.domain.projection.resume_point import ResumePoint
from pagereeve.domain.values.instants import FOREVER_US
from pagereeve.ports.reads import Reads
from pagereeve.ports.resume_points import resume_point_before
from pagereeve.queries.newest_reading import newest_plateaus

PagesWaiting = Mapping[tuple[str, str], int | None]
"""By printer and channel; None where the meter's figure can't be compared with that of its last cut."""


async def pages_waiting(reads: Reads, printers: Iterable[str]) -> PagesWaiting:
    """By how much the newest reading of each is beyond its last cut. ``reads`` should be of one moment."""
    waiting: dict[tuple[str, str], int | None] = {}
    names = list(printers)
    plateaus = await newest_plateaus(reads, names)
    for printer in names:
        newest = plateaus.get(printer)
        levels = {} if newest is None else await _levels(reads, printer)
        for channel, count in () if newest is None else newest.sight.counts:
            pages = count.value - levels.get(channel, count.value + 1)
            waiting[printer, channel] = None if pages < 0 else pages
    return waiting


async def _levels(reads: Reads, printer: str) -> dict[str, int]:
    """What each channel's last cut showed."""
    point = await resume_point_before(reads, printer, FOREVER_US, ResumePoint.from_json)
    if point is None:
        levels = await _first(reads, printer)
    else:
        levels = {channel: count.value for channel, count in point.counts}
    since_us = 0 if point is None else point.at_us
    for stretch in sorted(await reads.stretches(printer, since_us, FOREVER_US), key=lambda one: one.closes_us):
        if stretch.after is not None:
            levels[stretch.channel] = stretch.after
    return levels


async def _first(reads: Reads, printer: str) -> dict[str, int]:
    """Nothing was left behind yet: the printer's first reading is a cut."""
    async for stored in reads.facts(printer):
        if isinstance(stored.fact, PlateauRead):
            return {channel: count.value for channel, count in stored.fact.plateau.sight.counts}
    return {}
