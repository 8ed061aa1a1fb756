"""Where an end notice lies: it names no printer, its release's start does."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pagereeve.domain.facts.facts import REPLACED, ReleaseEnded, ReleaseStarted


def replaced_by(started: ReleaseStarted) -> ReleaseEnded | None:
    """That another release never was one, where the notice corrects it: under no printer, from where it follows that
    one's start as an end notice does.
    """
    if not started.replaces or started.replaces == started.release:
        return None
    origin = replace(started.origin, id=f"{started.origin.id}#replaces", occurred_us=None, clock="missing")
    return ReleaseEnded("", origin, started.replaces, REPLACED)


def after_its_start(ended: ReleaseEnded, starts: Sequence[ReleaseStarted]) -> ReleaseEnded:
    """On the timeline of the latest start before it, and never before the first start there.

    ``starts`` are the start notices of its release, one at least, in any order: a name may have been used again. That a
    release was replaced counts from its start: there never was one.
    """
    ordered = sorted(starts, key=lambda one: one.origin.order)
    before = [start for start in ordered if start.origin.at_us <= ended.origin.at_us]
    printer = (before or ordered)[-1].printer
    if ended.outcome == REPLACED:
        return replace(ended, printer=printer, origin=replace(ended.origin, at_us=(before or ordered)[-1].origin.at_us))
    first_us = min(start.origin.at_us for start in ordered if start.printer == printer)
    origin = replace(ended.origin, at_us=max(ended.origin.at_us, first_us))
    return replace(ended, printer=printer, origin=origin)
