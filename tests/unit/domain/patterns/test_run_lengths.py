"""The CUSUM's run lengths against published ones, for normal differences.

All figures stand with their papers in the examples of the R package spc (cran/spc, man/xcusum.arl.Rd). What is checked
is Page's part of the rule, S > h. The rest of it, that a sum is beyond what chance makes of as many differences, is in
no table: contrib/bench/bias.py measures it.
"""

from __future__ import annotations

from itertools import count
from math import sqrt
from random import Random
from statistics import fmean, stdev

import pytest

from pagereeve.domain.patterns.bias import ALARM, SLACK, BiasStep, Excursion, after
from tests.unit.domain.patterns.run_lengths import KEY, both_signs, normal, run_length, unit_of

# k, h, mean, run length, half a unit of its last digit.
ONE_SIDED = [
    # Brook & Evans 1972, section 4.3.
    (0.5, 3, 0, 117.59, 0.005),
    (0.5, 3, 1.5, 3.75, 0.005),
    # L. C. Vance, Journal of Quality Technology 18 (1986), table 1; A. L. Goel, S. M. Wu, Technometrics 13 (1971).
    (0, 10, -0.25, 2071.51, 0.005),
    (0, 10, -0.125, 400.28, 0.005),
    (0, 10, 0, 124.66, 0.005),
    (0, 10, 0.125, 59.30, 0.005),
    (0, 10, 0.25, 36.71, 0.005),
    (0, 10, 0.5, 20.37, 0.005),
    (0, 10, 0.75, 14.06, 0.005),
    (0, 10, 1, 10.75, 0.005),
    # K.-H. Waldmann, Technometrics 28 (1986), tables 3, 1 and 5. The second contradicts Brook & Evans, by 0.2 %.
    (0.5, 3, -0.5, 1963, 0.5),
    (0.5, 3, 0, 117.4, 0.2),
    (0.5, 3, 0.5, 17.35, 0.005),
]
TWO_SIDED = [
    # J. M. Lucas, R. B. Crosier, Technometrics 24 (1982), table 1.
    (0.5, 4, 0, 168, 0.5),
    (0.5, 4, 0.25, 74.2, 0.05),
    (0.5, 4, 0.5, 26.6, 0.05),
    (0.5, 4, 0.75, 13.3, 0.05),
    (0.5, 4, 1, 8.38, 0.005),
    (0.5, 4, 1.5, 4.75, 0.005),
    (0.5, 4, 2, 3.34, 0.005),
    (0.5, 4, 2.5, 2.62, 0.005),
    (0.5, 4, 3, 2.19, 0.005),
    (0.5, 4, 4, 1.71, 0.005),
    (0.5, 4, 5, 1.31, 0.005),
    # Waldmann 1986, table 6.
    (0.6, 3, -0.2, 65.4, 0.05),
]
# Of the computation, beside what the table rounded: the largest found is 0.0003.
SLIP = 0.0005
# Pages that are tolerated: levels lie 10 and 5 hundredths apart, there are 31 and 61.
COARSE, FINE = 10, 20


def one_sided(k: float, h: float, mean: float, sign: int = 1) -> float:
    """For differences that aren't rounded: the error of a lattice falls with the square of its unit.

    ``mean`` is that of the differences as they count for ``sign``.
    """
    coarse, fine = (run_length(normal(one, k, h, mean, sign), one, sign) for one in (COARSE, FINE))
    wide, narrow = (h / (ALARM / unit_of(one) + 0.5) for one in (COARSE, FINE))
    return fine + (fine - coarse) / ((wide / narrow) ** 2 - 1)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("k", "h", "mean", "published", "rounding"), ONE_SIDED)
def test_run_lengths_of_one_side_are_the_published_ones(
    k: float, h: float, mean: float, published: float, rounding: float, sign: int
) -> None:
    assert one_sided(k, h, mean, sign) == pytest.approx(published, abs=rounding + SLIP * published)


@pytest.mark.parametrize(("k", "h", "mean", "published", "rounding"), TWO_SIDED)
def test_run_lengths_of_both_sides_are_the_published_ones(
    k: float, h: float, mean: float, published: float, rounding: float
) -> None:
    computed = both_signs(one_sided(k, h, mean, 1), one_sided(k, h, -mean, -1))
    assert computed == pytest.approx(published, abs=rounding + SLIP * published)


def test_a_run_length_that_is_published_to_eleven_digits() -> None:
    """SAS/QC manual 1999: k 0.25, h 8, mean 2.5, one-sided."""
    assert one_sided(0.25, 8, 2.5) == pytest.approx(4.1500836225, rel=1e-6)


def first_alarm(random: Random, mean: float, sigma: float, watched: tuple[int, ...]) -> int:
    """The difference at which S > h came first; ``mean`` and ``sigma`` in hundredths of a tolerance, a page each."""
    held: dict[int, Excursion | None] = dict.fromkeys(watched)
    for job in count(1):
        step = BiasStep(round(random.gauss(mean, sigma)), 100, job, KEY)
        for sign, before in held.items():
            held[sign] = one = after(before, step, sign, "")
            if one is not None and one.level > ALARM:
                return job
    raise AssertionError


def check_sampled(expected: float, mean: float, sigma: float, watched: tuple[int, ...]) -> None:
    random = Random(20_240_229)
    lengths = [first_alarm(random, mean, sigma, watched) for _ in range(600)]
    error = stdev(lengths) / sqrt(len(lengths))
    # The bound follows from the error, and the error is small enough for the bound to mean something.
    assert error < expected / 20
    assert fmean(lengths) == pytest.approx(expected, abs=4 * error)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    ("k", "h", "mean", "published"), [(0.5, 3, 0, 117.59), (0.5, 3, 1.5, 3.75), (0, 10, 0.25, 36.71)]
)
def test_whole_histories_run_as_long_as_is_published(
    k: float, h: float, mean: float, published: float, sign: int
) -> None:
    # Half a hundredth: see ``normal``.
    sigma = (ALARM + 0.5) / h
    check_sampled(published, sign * (SLACK + (mean - k) * sigma), sigma, (sign,))


@pytest.mark.parametrize("mean", [0, 10, -20])
def test_whole_histories_of_both_signs_run_as_long_as_is_computed(mean: int) -> None:
    """Our k and h, whose ratio is in no table; differences spread by a fifth of h."""
    h = 5.0
    sigma = (ALARM + 0.5) / h
    computed = both_signs(one_sided(SLACK / sigma, h, mean / sigma, 1), one_sided(SLACK / sigma, h, -mean / sigma, -1))
    check_sampled(computed, mean, sigma, (1, -1))
