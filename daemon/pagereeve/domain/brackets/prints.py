"""Channels that stand for prints beside a total, in its place, or without one.

A counter of prints is comparable with releases, and knows nothing of copies. Where it stands in the total's place, the
total is shown as what the whole meter counted, so that no page disappears. Where a meter counts prints and neither a
total nor sheets, they are billed as a channel of their own, which is never taken for all that came out.
"""

from __future__ import annotations

from collections.abc import Container
from dataclasses import replace
from typing import Final

from pagereeve.domain.facts.reading import Plateau

TOTAL: Final = "total"
SHEETS: Final = "sheets"
PRINTS: Final = "prints"
WHOLE: Final = "whole"
"""What the meter's total counts, where a counter of prints is billed in its place."""
PRINTS_ALONE: Final = "prints-alone"
"""Prints of a meter that counts nothing else that tickets can be compared with."""


def counter_channel(channel: str) -> str:
    """The channel that the printer's own counters of it bear."""
    return PRINTS if channel == PRINTS_ALONE else channel


def with_prints_alone(plateau: Plateau, known: Container[str]) -> Plateau:
    """The plateau of a run that has shown the ``known`` channels, with its prints under the name that they bear there.

    A meter that has a total once keeps it: an answer without it makes prints no more than they were.
    """
    if TOTAL in known or SHEETS in known:
        return plateau
    sight = plateau.sight
    if sight.count(PRINTS) is None or TOTAL in sight.channels or SHEETS in sight.channels:
        return plateau
    counts = tuple((PRINTS_ALONE if name == PRINTS else name, count) for name, count in sight.counts)
    return replace(plateau, sight=replace(sight, counts=counts))
