"""Noted readings of panels as they count: what was taken back stands no more, whatever order they come in."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pagereeve.domain.facts.facts import ReadingNoted


@dataclass(frozen=True, slots=True)
class PanelReading:
    """A figure that was noted, and what took it back, if anything did: of several the first."""

    noted: ReadingNoted
    taken_back: ReadingNoted | None = None

    @property
    def at_us(self) -> int:
        return self.noted.origin.at_us

    @property
    def figure(self) -> int:
        return self.noted.said.figure or 0

    @property
    def channel(self) -> str:
        return self.noted.said.channel


def panel_readings(noted: Iterable[ReadingNoted]) -> list[PanelReading]:
    """Each figure once, in order of when it was read; of one instant in order of identity."""
    figures: dict[tuple[str, str], ReadingNoted] = {}
    voids: dict[tuple[str, str], ReadingNoted] = {}
    for one in sorted(noted, key=_first_received):
        if one.said.voids:
            voids.setdefault((one.origin.source, one.said.voids), one)
        else:
            figures.setdefault(one.origin.key, one)
    ordered = sorted(figures.values(), key=lambda one: one.origin.order)
    return [PanelReading(one, voids.get(one.origin.key)) for one in ordered]


def standing(noted: Iterable[ReadingNoted]) -> list[PanelReading]:
    """Those that nothing took back."""
    return [one for one in panel_readings(noted) if one.taken_back is None]


def _first_received(noted: ReadingNoted) -> tuple[int, tuple[str, str], str]:
    return (noted.origin.received_us, noted.origin.key, repr(noted))
