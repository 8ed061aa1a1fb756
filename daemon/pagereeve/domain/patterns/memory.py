"""What is remembered of a printer's brackets, for what shows only over many: a bias, a pattern, a still meter.

It is small and goes into the resume point, so that a printer whose history is sealed goes on where it was.
"""

from __future__ import annotations

from typing import Any, Final

from pagereeve.domain.findings.evidence_codec import RELEASE_KEY
from pagereeve.domain.ledger import ReleaseKey
from pagereeve.domain.patterns.bias import EXCURSION, SIGNS_KEPT, Excursion
from pagereeve.domain.patterns.diagnosis import DIFFERENCE, RECENT_MAX, Difference
from pagereeve.domain.patterns.tickets import SOURCE_TICKETS, SOURCES_MAX, Sources
from pagereeve.domain.values.codec import FIGURE, INSTANT, ByHand, Codec, Member, Spread, inner, placed, text
from pagereeve.domain.values.fields import Fields
from pagereeve.domain.values.instants import to_text
from pagereeve.domain.values.records import dataclass

# So many releases that the meter did not notice are known by name, for whoever asks about one of them.
NAMED_MAX: Final = 100
# Stray pages may be those of one of so many releases before them.
LATELY_MAX: Final = 3


@dataclass(frozen=True, slots=True)
class StandingStill:
    """Releases in a row that ended while the meter did not count; the first few are named."""

    since_us: int
    level: int
    releases: tuple[ReleaseKey, ...]
    count: int


@dataclass(frozen=True, slots=True)
class Lately:
    """A release that was alone in its bracket: what the meter counted for it, and how many pages it missed."""

    release: ReleaseKey
    counted: int
    missed: int


@dataclass(frozen=True, slots=True)
class PatternMemory:
    """``up`` and ``down`` are the CUSUM's two sums, ``signs`` those of the latest differences; all of one meter run.

    ``diagnosed`` names the hypothesis that explains the recent differences, and since when it does; ``lately`` are the
    last releases that were alone, for stray pages that may be theirs. ``tickets``: of all runs, what each source's say.
    """

    run: int = 0
    up: Excursion | None = None
    down: Excursion | None = None
    signs: str = ""
    recent: tuple[Difference, ...] = ()
    standing: StandingStill | None = None
    diagnosed: tuple[str, int] | None = None
    lately: tuple[Lately, ...] = ()
    tickets: Sources = ()


def _diagnosed_json(diagnosed: tuple[str, int] | None) -> dict[str, Any]:
    return {} if diagnosed is None else {"diagnosed": diagnosed[0], "diagnosed_at": to_text(diagnosed[1])}


def _diagnosed_of(fields: Fields) -> tuple[str, int] | None:
    name = fields.optional_text("diagnosed")
    return None if name is None else (name, fields.instant("diagnosed_at"))


_STANDING: Final = Codec(
    StandingStill,
    Member("since_us", INSTANT, "since"),
    Member("level", FIGURE),
    Member("releases", placed(RELEASE_KEY, NAMED_MAX)),
    Member("count", FIGURE),
)
_LATELY: Final = Codec(
    Lately,
    Member("release", RELEASE_KEY),
    Member("counted", FIGURE),
    Member("missed", FIGURE, default=0),
)
PATTERN_MEMORY: Final = Codec(
    PatternMemory,
    Member("run", FIGURE),
    Member("up", inner(EXCURSION), default=None),
    Member("down", inner(EXCURSION), default=None),
    Member("signs", text(SIGNS_KEPT), default=""),
    Member("recent", placed(inner(DIFFERENCE), RECENT_MAX), default=()),
    Member("standing", inner(_STANDING), default=None),
    Spread("diagnosed", ByHand(_diagnosed_json, _diagnosed_of)),
    Member("lately", placed(inner(_LATELY), LATELY_MAX), default=()),
    Member("tickets", placed(inner(SOURCE_TICKETS), SOURCES_MAX), default=()),
)
