"""A printer's diagnosis: the hypothesis that explains its recent differences best."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

from pagereeve.domain.brackets.hypotheses import HYPOTHESES, PAIRS, Hypothesis
from pagereeve.domain.findings.evidence_codec import RELEASE_KEY
from pagereeve.domain.ledger import ReleaseKey
from pagereeve.domain.values.codec import FIGURE, INSTANT, Codec, Member, choices
from pagereeve.domain.values.records import dataclass

# So many brackets are looked back on: enough for a habit, few enough to forget what was mended.
RECENT_MAX: Final = 20
# One bracket or two can look like a pattern by chance; from the third on it is worth reporting.
# Common practice, no source.
EXPLAINED_LEAST: Final = 3


@dataclass(frozen=True, slots=True)
class Difference:
    """A bracket that differed (``explained_by`` what), or one that came out as expected and ``contradicts`` some."""

    at_us: int
    explained_by: tuple[str, ...] = ()
    contradicts: tuple[str, ...] = ()
    release: ReleaseKey | None = None
    counted: int = 0
    least: int = 0

    @property
    def differs(self) -> bool:
        return self.release is not None


LOOKED_AT: Final = (*HYPOTHESES, *PAIRS)

_NAMES: Final = choices([one.name for one in LOOKED_AT], len(LOOKED_AT))

DIFFERENCE: Final = Codec(
    Difference,
    Member("at_us", INSTANT, "at"),
    Member("explained_by", _NAMES, default=()),
    Member("contradicts", _NAMES, default=()),
    Member("release", RELEASE_KEY, default=None),
    Member("counted", FIGURE, default=0, beside="release"),
    Member("least", FIGURE, default=0, beside="release"),
)


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """``explained`` of ``differing`` among the last ``brackets``, since ``since_us``; ``contradicted`` by so many."""

    hypothesis: Hypothesis
    explained: tuple[Difference, ...]
    differing: int
    contradicted: int
    brackets: int

    @property
    def since_us(self) -> int:
        return self.explained[0].at_us


def remembered(recent: Sequence[Difference], new: Difference) -> tuple[Difference, ...]:
    """The last brackets, from the first that differed on: before it nothing was to be explained."""
    kept = [*recent, new][-RECENT_MAX:]
    first = next((place for place, one in enumerate(kept) if one.differs), len(kept))
    return tuple(kept[first:])


def diagnose(recent: Sequence[Difference]) -> Diagnosis | None:
    """The best explanation; None where none explains enough, or the brackets speak against it. Pairs are tried where no
    single one does.
    """
    return _best(HYPOTHESES, recent) or _best(PAIRS, recent)


def _best(hypotheses: Sequence[Hypothesis], recent: Sequence[Difference]) -> Diagnosis | None:
    """It must explain three differences or more and two thirds of all, and be contradicted a quarter as often at most.

    None where none does.
    """
    differing = [one for one in recent if one.differs]
    if len(differing) < EXPLAINED_LEAST:
        return None
    explained = Counter(name for one in differing for name in one.explained_by)
    against = Counter(name for one in recent for name in one.contradicts)
    # The first of equals: the table has the usual ones first.
    best = max(hypotheses, key=lambda one: explained[one.name] - against[one.name])
    times, contradicted = explained[best.name], against[best.name]
    if times < EXPLAINED_LEAST or 3 * times < 2 * len(differing) or 4 * contradicted > times:
        return None
    held = tuple(one for one in differing if best.name in one.explained_by)
    return Diagnosis(best, held, len(differing), contradicted, len(recent))
