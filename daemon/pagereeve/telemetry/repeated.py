"""Say a thing when it changes, and then how often it was so: a printer that is off for a day fills no log."""

from __future__ import annotations

import logging
from collections import OrderedDict
from dataclasses import dataclass
from typing import Any, Final, Protocol

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.clock import Clock

SUMMARY_S: Final = 3600.0
SUMMARY_LONGEST_S: Final = 24 * 3600.0
LINES_MAX: Final = 6
KEYS_MAX: Final = 20_000


class Speaker(Protocol):
    """The part of a structlog logger that is needed here."""

    def log(self, level: int, event: str, **values: Any) -> Any: ...


@dataclass(slots=True)
class _Standing:
    """The state of one thing, as seen and as last spoken of."""

    state: str
    since_us: int
    times: int
    said: str
    summary_us: int
    wait_us: int
    span_us: int
    lines: int = 0
    unsaid: int = 0


class Repeated:
    """Speaks on a change of state, then sums up: first after ``summary_s``, then at doubling distances.

    A thing that flaps gets ``lines_max`` lines in each stretch of ``summary_s``; what was left unsaid is counted.
    Beyond ``keys_max`` things, those not seen for longest are forgotten.
    """

    def __init__(
        self,
        speaker: Speaker,
        clock: Clock,
        *,
        usual: str = "ok",
        summary_s: float = SUMMARY_S,
        lines_max: int = LINES_MAX,
        keys_max: int = KEYS_MAX,
    ) -> None:
        self._speaker = speaker
        self._clock = clock
        self._usual = usual
        self._summary_us = round(summary_s * SECOND_US)
        self._lines_max = lines_max
        self._keys_max = keys_max
        self._standings: OrderedDict[str, _Standing] = OrderedDict()

    def note(self, what: str, state: str, event: str, *, level: int = logging.WARNING, **values: Any) -> bool:
        """``what`` (a printer, a feed) is in ``state``; true if it wrote a line. The usual state is logged as info."""
        now_us = self._clock.monotonic_us()
        standing = self._standings.pop(what, None)
        if standing is None:
            standing = _Standing(self._usual, now_us, 0, self._usual, now_us, 0, now_us)
        self._standings[what] = standing
        while len(self._standings) > self._keys_max:
            self._standings.popitem(last=False)
        extra = self._seen(standing, state, now_us)
        if extra is None:
            return False
        loudness = logging.INFO if state == self._usual else level
        self._speaker.log(loudness, event, what=what, state=state, **extra, **values)
        return True

    def _seen(self, standing: _Standing, state: str, now_us: int) -> dict[str, Any] | None:
        """Count one sight; what to add to the line, or None for no line."""
        if now_us - standing.span_us >= self._summary_us:
            standing.span_us, standing.lines = now_us, 0
        extra: dict[str, Any] = {}
        if state != standing.state:
            if standing.times:
                lasted_s = _seconds(standing, now_us)
                extra = {"before": standing.state, "before_times": standing.times, "before_s": lasted_s}
            standing.state, standing.since_us, standing.times = state, now_us, 0
            standing.summary_us, standing.wait_us = now_us + self._summary_us, self._summary_us
        standing.times += 1
        if state == standing.said:
            return self._summary(standing, now_us)
        if standing.lines >= self._lines_max:
            standing.unsaid += 1
            return None
        standing.said = state
        return self._line(standing, extra)

    def _summary(self, standing: _Standing, now_us: int) -> dict[str, Any] | None:
        if standing.state == self._usual or now_us < standing.summary_us or standing.lines >= self._lines_max:
            return None
        standing.wait_us = min(2 * standing.wait_us, round(SUMMARY_LONGEST_S * SECOND_US))
        standing.summary_us = now_us + standing.wait_us
        return self._line(standing, {"times": standing.times, "for_s": _seconds(standing, now_us)})

    def _line(self, standing: _Standing, extra: dict[str, Any]) -> dict[str, Any]:
        standing.lines += 1
        if standing.unsaid:
            extra = {**extra, "unsaid": standing.unsaid}
            standing.unsaid = 0
        return extra


def _seconds(standing: _Standing, now_us: int) -> float:
    return round((now_us - standing.since_us) / SECOND_US, 1)
