"""What is remembered of a printer's brackets, for what shows only over many: a bias, a pattern, a meter that stands.

It is small and goes into the resume point, so that a printer whose history is sealed goes on where it was.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pagereeve.domain.ledger import ReleaseKey
from pagereeve.domain.patterns.bias import FIGURE_MAX, SIGNS_KEPT, Excursion, key_from
from pagereeve.domain.patterns.diagnosis import Difference
from pagereeve.domain.values.fields import Fields
from pagereeve.domain.values.instants import from_text, to_text


@dataclass(frozen=True, slots=True)
class StandingStill:
    """Releases in a row that ended while the meter stood still; the first few are named."""

    since_us: int
    level: int
    releases: tuple[ReleaseKey, ...]
    count: int


@dataclass(frozen=True, slots=True)
class Lately:
    """A release that stood alone in its bracket: what the meter counted for it, and how many pages it missed."""

    release: ReleaseKey
    counted: int
    missed: int


@dataclass(frozen=True, slots=True)
class PatternMemory:
    """``up`` and ``down`` are the CUSUM's two sums, ``signs`` those of the latest differences; all of one meter run.

    ``diagnosed`` names the hypothesis that explains the recent differences, and since when it does; ``lately`` are the
    last releases that stood alone, for stray pages that may be theirs.
    """

    run: int = 0
    up: Excursion | None = None
    down: Excursion | None = None
    signs: str = ""
    recent: tuple[Difference, ...] = ()
    standing: StandingStill | None = None
    diagnosed: tuple[str, int] | None = None
    lately: tuple[Lately, ...] = ()

    def to_json(self) -> dict[str, Any]:
        members: dict[str, Any] = {"run": self.run}
        if self.up is not None:
            members["up"] = self.up.to_json()
        if self.down is not None:
            members["down"] = self.down.to_json()
        if self.signs:
            members["signs"] = self.signs
        if self.recent:
            members["recent"] = {str(place): one.to_json() for place, one in enumerate(self.recent)}
        if self.standing is not None:
            members["standing"] = _standing_json(self.standing)
        if self.diagnosed is not None:
            members |= {"diagnosed": self.diagnosed[0], "diagnosed_at": to_text(self.diagnosed[1])}
        if self.lately:
            members["lately"] = {str(place): _lately_json(one) for place, one in enumerate(self.lately)}
        return members

    @classmethod
    def from_json(cls, fields: Fields) -> PatternMemory:
        """Raises BadFact."""
        up, down = fields.optional_object("up"), fields.optional_object("down")
        recent, standing = fields.optional_object("recent"), fields.optional_object("standing")
        diagnosed, lately = fields.optional_text("diagnosed"), fields.optional_object("lately")
        habits = cls(
            run=fields.integer("run", 0, FIGURE_MAX),
            up=None if up is None else Excursion.from_json(up),
            down=None if down is None else Excursion.from_json(down),
            signs=fields.optional_text("signs", SIGNS_KEPT) or "",
            recent=() if recent is None else _recent(recent),
            standing=None if standing is None else _standing(standing),
            diagnosed=None if diagnosed is None else (diagnosed, from_text(fields.text("diagnosed_at"), "at")),
            lately=() if lately is None else tuple(_lately(lately, name) for name in sorted(lately.names(), key=int)),
        )
        fields.finish()
        return habits


def _lately_json(one: Lately) -> dict[str, Any]:
    members: dict[str, Any] = {"release": [one.release.source, one.release.release], "counted": one.counted}
    return members | ({"missed": one.missed} if one.missed else {})


def _lately(fields: Fields, name: str) -> Lately:
    members = fields.object(name)
    counted, missed = members.integer("counted", 0, FIGURE_MAX), members.optional_integer("missed", 0, FIGURE_MAX)
    one = Lately(key_from(members, "release"), counted, missed or 0)
    members.finish()
    return one


def _recent(fields: Fields) -> tuple[Difference, ...]:
    return tuple(Difference.from_json(fields.object(name)) for name in sorted(fields.names(), key=int))


def _standing_json(one: StandingStill) -> dict[str, Any]:
    return {
        "since": to_text(one.since_us),
        "level": one.level,
        "releases": {str(place): [key.source, key.release] for place, key in enumerate(one.releases)},
        "count": one.count,
    }


def _standing(fields: Fields) -> StandingStill:
    releases = fields.object("releases")
    standing = StandingStill(
        since_us=from_text(fields.text("since"), "since"),
        level=fields.integer("level", 0, FIGURE_MAX),
        releases=tuple(key_from(releases, name) for name in sorted(releases.names(), key=int)),
        count=fields.integer("count", 0, FIGURE_MAX),
    )
    fields.finish()
    return standing
