"""Readings become plateaus, failed reads become silences: one row for many equal answers."""

from __future__ import annotations

from pagereeve.domain.brackets.continuity import restarted
from pagereeve.domain.facts.facts import PlateauRead, ReadFailed
from pagereeve.domain.facts.reading import Failure, Plateau, Reading, Silence
from pagereeve.domain.values.records import dataclass


@dataclass(frozen=True, slots=True)
class Recorded:
    """``sealed`` is finished and becomes a fact; ``current`` may still grow."""

    sealed: PlateauRead | ReadFailed | None
    current: PlateauRead | ReadFailed


def begun(printer: str, current: PlateauRead | ReadFailed | None, result: Reading | Failure) -> Recorded:
    """A read's result as the beginning of a run, whatever the meter did before."""
    return Recorded(current, record(printer, None, result).current)


def record(printer: str, current: PlateauRead | ReadFailed | None, result: Reading | Failure) -> Recorded:
    """Add one read's result to what the meter was doing."""
    if isinstance(result, Failure):
        if isinstance(current, ReadFailed) and _same_failure(current.silence, result):
            return Recorded(None, ReadFailed(printer, current.silence.grown(result)))
        return Recorded(current, ReadFailed(printer, Silence.of(result)))
    plateau = Plateau.of(result)
    if (
        isinstance(current, PlateauRead)
        and current.plateau.sight == result.sight
        and not restarted(current.plateau, plateau)
    ):
        return Recorded(None, PlateauRead(printer, current.plateau.grown(result)))
    return Recorded(current, PlateauRead(printer, plateau))


def _same_failure(silence: Silence, failure: Failure) -> bool:
    before = (silence.reason, silence.detail, silence.responder, silence.gateway)
    return before == (failure.reason, failure.detail, failure.responder, failure.gateway)
