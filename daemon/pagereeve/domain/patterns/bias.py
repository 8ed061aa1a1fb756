"""A small steady bias: a two-sided CUSUM over a printer's differences, each of them inside its tolerance.

The method is Page's (E. S. Page, "Continuous inspection schemes", Biometrika 41, 1954; from memory): for each sign
S = max(0, S + x - k), and an alarm at S > h. x is a bracket's difference as a share of its tolerance, so that k and h
mean the same for a printer that must be exact to the page and for one that need not. k is about half of the shift to be
found: a third of the tolerance, one page in three jobs where one page is tolerated. h is six times the spread that
such a tolerance leaves room for.

For normal differences the run lengths of this part are the published ones (Brook & Evans 1972, Lucas & Crosier 1982,
Vance 1986, Waldmann 1986: tests/unit/domain/patterns/test_run_lengths.py); Page's own table was not at hand.

Noise reaches h sooner or later. So an alarm also needs a sum beyond 2.5 times what chance makes of as many differences,
and beyond 4 times where the printer's latest differences had both signs. This part is our own and in no published
table. What it finds, and how seldom it is wrong, rests on the simulation in contrib/bench/bias.py alone.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from pagereeve.domain.findings.evidence_codec import RELEASE_KEY
from pagereeve.domain.ledger import ReleaseKey
from pagereeve.domain.values.codec import BIT, FIGURE, FIGURE_MAX, INSTANT, Codec, Member, integer
from pagereeve.domain.values.records import dataclass

# In hundredths of a tolerance.
SLACK: Final = 20
ALARM: Final = 300
# What lies above the alarm must be worked off before it is over: no more than this.
CEILING: Final = 600
# Four times sum² against so much of the sum of squares: 2.5² and 4².
ONE_SIGNED, TWO_SIGNED = 25, 64
# Of so many latest differences; one of the other sign is an accident.
SIGNS_KEPT: Final = 32
OTHERS_MAX: Final = 1


@dataclass(frozen=True, slots=True)
class BiasStep:
    """One bracket's difference in pages, how many were tolerated, when it closed, and its first release."""

    pages: int
    tolerance: int
    at_us: int
    release: ReleaseKey


@dataclass(frozen=True, slots=True)
class Excursion:
    """What has been summed since S last was 0. ``alarmed``: it became a bias at ``last_us``, and grows no more."""

    level: int
    pages: int
    squares: int
    brackets: int
    first_us: int
    last_us: int
    first: ReleaseKey
    last: ReleaseKey
    alarmed: bool = False


EXCURSION: Final = Codec(
    Excursion,
    Member("level", integer(0, CEILING)),
    Member("pages", integer(-FIGURE_MAX, FIGURE_MAX)),
    Member("squares", FIGURE),
    Member("brackets", FIGURE),
    Member("first_us", INSTANT, "first_at"),
    Member("last_us", INSTANT, "last_at"),
    Member("first", RELEASE_KEY),
    Member("last", RELEASE_KEY),
    Member("alarmed", BIT),
)


def signs_after(signs: str, step: BiasStep) -> str:
    """The latest differences' signs, ``+`` and ``-``, with one more; what is no difference has none."""
    return (signs + ("+" if step.pages > 0 else "-"))[-SIGNS_KEPT:] if step.pages else signs


def after(excursion: Excursion | None, step: BiasStep, sign: int, signs: str) -> Excursion | None:
    """The sum of one sign with one more difference; None where it is 0 again. ``signs`` hold it already."""
    # Rounded towards 0, so that both signs are alike.
    share = 100 * abs(step.pages) // max(1, step.tolerance) * (sign if step.pages > 0 else -sign)
    level = min(CEILING, max(0, (excursion.level if excursion else 0) + share - SLACK))
    if level == 0:
        return None
    if excursion is None:
        pages = step.pages
        return Excursion(level, pages, pages**2, 1, step.at_us, step.at_us, step.release, step.release)
    if excursion.alarmed:
        return replace(excursion, level=level)
    grown = replace(
        excursion,
        level=level,
        pages=excursion.pages + step.pages,
        squares=excursion.squares + step.pages**2,
        brackets=excursion.brackets + 1,
        last_us=step.at_us,
        last=step.release,
    )
    return replace(grown, alarmed=_is_bias(grown, signs))


def _is_bias(excursion: Excursion, signs: str) -> bool:
    two_signed = min(signs.count("+"), signs.count("-")) > OTHERS_MAX
    wanted = (TWO_SIGNED if two_signed else ONE_SIGNED) * excursion.squares
    return excursion.level > ALARM and 4 * excursion.pages**2 > wanted
