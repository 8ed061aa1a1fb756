"""How long the CUSUM of domain/patterns/bias.py runs until its alarm, computed and not sampled.

After D. Brook, D. A. Evans, "An approach to the probability distribution of cusum run length", Biometrika 59 (1972):
the sum is a Markov chain on the levels that it can have, and the mean number of steps to the alarm solves a system of
linear equations. Every transition is asked of ``after`` itself, so that what is computed are the run lengths of our
code. It is exact for differences that are whole pages, as ours are.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from itertools import pairwise
from math import gcd
from statistics import NormalDist

from pagereeve.domain.ledger import ReleaseKey
from pagereeve.domain.patterns.bias import ALARM, SLACK, BiasStep, Excursion, after

KEY = ReleaseKey("urn:invented:server", "r")
# A sum that is far beyond what chance makes, whatever is added: what is left of the alarm's rule is Page's, S > h.
STEADY_PAGES = 10**6


def unit_of(tolerance: int) -> int:
    """What two neighbouring levels differ by, in hundredths of a tolerance that divides 100."""
    return gcd(100 // tolerance, SLACK)


@cache
def level_after(level: int, pages: int, tolerance: int, sign: int) -> int | None:
    """The level after one difference more; None at an alarm."""
    step = BiasStep(pages, tolerance, 1, KEY)
    if level == 0:
        first = after(None, step, sign, "")
        # No first difference is an alarm to our code, and none inside its tolerance could be.
        return 0 if first is None else first.level if first.level <= ALARM else None
    grown = after(Excursion(level, STEADY_PAGES, 0, 1, 0, 0, KEY, KEY), step, sign, "")
    return 0 if grown is None else None if grown.alarmed else grown.level


def run_length(chances: Mapping[int, float], tolerance: int, sign: int = 1) -> float:
    """The mean number of differences until the alarm of one sign; ``chances`` are those of each difference in pages."""
    levels = range(0, ALARM + 1, unit_of(tolerance))
    place = {level: nth for nth, level in enumerate(levels)}
    rows = []
    for level in levels:
        row = [0.0] * len(levels) + [1.0]
        row[place[level]] = 1.0
        for pages, chance in chances.items():
            then = level_after(level, pages, tolerance, sign)
            if then is not None:
                row[place[then]] -= chance
        rows.append(row)
    return _solved(rows)[0]


def both_signs(up: float, down: float) -> float:
    """The run length of a two-sided CUSUM from those of its sides.

    K. W. Kemp, Applied Statistics 11 (1962), from memory; Lucas & Crosier 1982 and JMP's manual ("Statistical Details
    for Average Run Length") use the same relation.
    """
    return 1 / (1 / up + 1 / down)


def normal(tolerance: int, k: float, h: float, mean: float, sign: int = 1) -> dict[int, float]:
    """Differences whose run length is that of a textbook's k, h and mean, all in standard deviations.

    Run lengths depend on (mean - k) / sigma and h / sigma alone, so our own k and h need no change: sigma and mean are
    chosen to fit. An alarm at one level above h is one at half a unit above it for what was rounded to units.
    """
    unit = unit_of(tolerance)
    sigma = (ALARM + unit / 2) / h
    spread = NormalDist(SLACK + (mean - k) * sigma, sigma)
    # From wherever the sum stands, the last of these bring it to 0 and to the alarm.
    most = (ALARM + SLACK) // unit + 1
    bounds = [spread.cdf((place + 0.5) * unit) for place in range(-most, most)]
    inner = [right - left for left, right in pairwise(bounds)]
    return {sign * place: chance for place, chance in enumerate([bounds[0], *inner, 1 - bounds[-1]], -most)}


def _solved(rows: list[list[float]]) -> list[float]:
    """Gauss's elimination. Every row adds up to more than 0 (an alarm may follow): no pivot is 0."""
    count = len(rows)
    for nth, pivot in enumerate(rows):
        for below in range(nth + 1, count):
            factor = rows[below][nth] / pivot[nth]
            if factor:
                rows[below] = [one - factor * other for one, other in zip(rows[below], pivot, strict=True)]
    found = [0.0] * count
    for nth in reversed(range(count)):
        known = sum(rows[nth][later] * found[later] for later in range(nth + 1, count))
        found[nth] = (rows[nth][count] - known) / rows[nth][nth]
    return found
