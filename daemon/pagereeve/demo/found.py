"""What the daemon found so far, and how soon after it happened."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pagereeve.domain.ledger import Finding
from pagereeve.simulator.college.scenario import Planted

Pair = tuple[str, str]
"""A finding's kind, and where: a printer, or the place that a finding of the badge checks names."""


def pair_of(finding: Finding) -> Pair:
    return finding.kind, finding.printer or finding.place


@dataclass(frozen=True, slots=True)
class Found:
    """A finding when it was first seen, ``at_s`` into the day; ``after_s`` and ``what`` of the fault it belongs to."""

    kind: str
    where: str
    at_s: float
    after_s: float | None
    what: str

    @property
    def sentence(self) -> str:
        cause = "" if self.after_s is None else f" {self.after_s:.1f} s after it happened: {self.what}"
        return f"found {self.kind} at {self.where}{cause}"

    @property
    def short(self) -> str:
        cause = "" if self.after_s is None else f" +{self.after_s:.1f} s: {self.what}"
        return f"{self.kind} at {self.where}{cause}"


class FindingWatch:
    """``news`` is asked again and again while the day goes on; what it saw once it does not say again."""

    def __init__(self, planted: Sequence[Planted]) -> None:
        self._planted = planted
        self._seen: set[str] = set()
        self._found_s: dict[tuple[int, Pair], float] = {}

    def news(self, findings: Iterable[Finding], now_s: float) -> list[Found]:
        """Those that were not there before."""
        fresh = [one for one in findings if one.id not in self._seen]
        self._seen.update(one.id for one in fresh)
        return [self._note(pair_of(one), now_s) for one in fresh]

    def delays(self) -> list[float | None]:
        """For each planted fault how long after it all that was expected had been found; None where something lacks."""
        return [self._delay(place, one) for place, one in enumerate(self._planted)]

    def _note(self, pair: Pair, now_s: float) -> Found:
        place = self._cause_of(pair, now_s)
        if place is None:
            return Found(*pair, now_s, None, "")
        self._found_s.setdefault((place, pair), now_s)
        cause = self._planted[place]
        return Found(*pair, now_s, now_s - cause.at_s, cause.what)

    def _cause_of(self, pair: Pair, now_s: float) -> int | None:
        """The latest fault so far that this finding fits."""
        fits = [
            place
            for place, one in enumerate(self._planted)
            if one.at_s <= now_s and pair in (*one.expected, *one.allowed)
        ]
        return max(fits, key=lambda place: self._planted[place].at_s, default=None)

    def _delay(self, place: int, one: Planted) -> float | None:
        found_s = [self._found_s.get((place, pair)) for pair in one.expected]
        known_s = [at_s for at_s in found_s if at_s is not None]
        return max(known_s) - one.at_s if known_s and len(known_s) == len(found_s) else None
