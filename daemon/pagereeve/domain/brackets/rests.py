"""When the meter stood still: one definition for windows, cuts and inner cuts (domain/README.md, steps 2 to 4).

A count is known from the moment in which an answer with it was in hand until the last question was sent that brought
it again: before the first and after the last it may have been another one. Seen once, it is known for one instant.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field
from typing import Final

from pagereeve.domain.brackets.runs import Run, Sample
from pagereeve.domain.facts.reading import STOPPING_ERRORS, Plateau, PrinterState
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.domain.values.records import dataclass

# The state is a hint: what is neither of these counts as idle.
BUSY: Final = frozenset({PrinterState.PRINTING, PrinterState.WARMUP})
# A count that is where it should be, and has rested so long: the pause between two sheets is shorter; common practice,
# no source.
PROOF_REST_US: Final = 3 * SECOND_US
DARK: Final[frozenset[str]] = frozenset()


def known_until_us(from_us: int, plateau: Plateau) -> int:
    """Until when a count is known that was first in hand at ``from_us`` and last seen in ``plateau``."""
    sent_us = plateau.last_sent_us
    return max(from_us, sent_us)


def is_idle(plateau: Plateau) -> bool:
    return plateau.sight.state not in BUSY


def stopping_lights(plateau: Plateau) -> frozenset[str]:
    """Errors that hold a printer up: jam, empty tray, open door."""
    errors = plateau.sight.errors
    return STOPPING_ERRORS.intersection(errors) if errors else DARK


@dataclass(frozen=True, slots=True)
class Moment:
    """A sample with its place among the printer's runs."""

    run: Run
    sample: Sample

    @property
    def from_us(self) -> int:
        return self.sample.plateau.first_received_us

    @property
    def to_us(self) -> int:
        return known_until_us(self.from_us, self.sample.plateau)


@dataclass(frozen=True, slots=True)
class Rest:
    """The count did not move and the printer was idle from ``from_us`` to ``to_us``.

    ``lights`` are the errors that may hold the printer up for as long. ``last`` is the place of its last moment.
    """

    moment: Moment
    from_us: int
    to_us: int
    lights: frozenset[str]
    last: int = 0

    @property
    def stopped(self) -> bool:
        return bool(self.lights)


@dataclass(slots=True)
class Level:
    """No channel moved from ``from_us`` to ``to_us``, whatever the state says. ``rests`` are its idle parts.

    ``first`` and ``last`` are the places of its moments. ``lit``: errors that may stop the printer in one of its rests.
    """

    moment: Moment
    from_us: int
    to_us: int
    first: int
    last: int
    rests: list[Rest] = field(default_factory=list)
    lit: bool = False


def moments_of(runs: Sequence[Run]) -> list[Moment]:
    return [Moment(run, sample) for run in runs for sample in run.samples]


def levels_of(moments: Sequence[Moment]) -> list[Level]:
    """Maximal levels in time order: neighbouring samples of one run with equal counts."""
    levels: list[Level] = []
    previous: Moment | None = None
    for place, moment in enumerate(moments):
        if previous is not None and previous.run is moment.run and previous.sample.totals == moment.sample.totals:
            level = levels[-1]
            level.moment, level.last = moment, place
            level.to_us = known_until_us(level.from_us, moment.sample.plateau)
        else:
            from_us = moment.run.known_from_us(moment.sample)
            to_us = known_until_us(from_us, moment.sample.plateau)
            levels.append(Level(moment, from_us, to_us, place, place))
        _rest_on(levels[-1], moment, place)
        previous = moment
    return levels


def _rest_on(level: Level, moment: Moment, place: int) -> None:
    """Let the level's idle part go on, or begin another: errors that stop it are alike in all of a rest."""
    plateau = moment.sample.plateau
    if not is_idle(plateau):
        return
    lights = stopping_lights(plateau)
    level.lit = level.lit or bool(lights)
    last = level.rests[-1] if level.rests else None
    if last is not None and last.last == place - 1 and last.lights == lights:
        to_us = known_until_us(last.from_us, plateau)
        level.rests[-1] = Rest(moment, last.from_us, to_us, lights, place)
    else:
        from_us = moment.run.known_from_us(moment.sample)
        level.rests.append(Rest(moment, from_us, known_until_us(from_us, plateau), lights, place))


def rests_of(levels: Sequence[Level]) -> list[Rest]:
    return [rest for level in levels for rest in level.rests]
