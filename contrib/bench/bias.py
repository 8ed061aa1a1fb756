"""How soon the CUSUM of domain/patterns/bias.py finds a small steady bias, and how seldom it takes noise for one.

Run lengths in jobs over many random histories of one printer, each with a fixed seed: the median and the tenth that
took longest for biases, and the mean distance of two false alarms for noise without one. Plain CUSUM (h alone, without
the condition that differences don't cancel) stands beside it, sampled and computed: what that is for is the ratio of
the two distances. Plain CUSUM's run lengths are published (tests/unit/domain/patterns/test_run_lengths.py names the
papers): some are computed here on the finest lattice, where one page is a hundredth of the tolerance, and sampled from
whole histories. What the condition adds is in no table and rests on the figures of this benchmark alone.

    python contrib/bench/bias.py
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from statistics import fmean, median, quantiles, stdev

sys.path.insert(0, str(Path(__file__).parents[2]))

from pagereeve.domain.ledger import ReleaseKey
from pagereeve.domain.patterns.bias import ALARM, SLACK, BiasStep, Excursion, after, signs_after
from tests.unit.domain.patterns.run_lengths import both_signs, normal, run_length

HISTORIES = 400
JOBS_MAX = 4_000
KEY = ReleaseKey("urn:invented:bench", "r")

Draw = Callable[[Random], int]


def biased(share: float) -> Draw:
    """One page too many in such a share of the jobs."""
    return lambda random: int(random.random() < share)


def balanced(share: float) -> Draw:
    """One page too many or too few, as often as not, in such a share of the jobs."""
    return lambda random: random.choice((-1, 1)) if random.random() < share else 0


def spread(tolerance: int) -> Draw:
    """Any difference inside the tolerance, each as likely as the other."""
    return lambda random: random.randint(-tolerance, tolerance)


def alarms_at(draw: Draw, seed: int, tolerance: int, *, plain: bool, watched: tuple[int, ...] = (1, -1)) -> int | None:
    """The job at which the first alarm came, of any watched sign."""
    random, signs = Random(seed), ""
    held: dict[int, Excursion | None] = dict.fromkeys(watched)
    for job in range(1, JOBS_MAX + 1):
        step = BiasStep(draw(random), tolerance, job, KEY)
        signs = signs_after(signs, step)
        for sign in watched:
            held[sign] = one = after(held[sign], step, sign, signs)
            if one is not None and (one.level > ALARM if plain else one.alarmed):
                return job
    return None


def run_lengths(draw: Draw, tolerance: int = 1, *, plain: bool = False) -> Iterator[int]:
    for seed in range(HISTORIES):
        yield alarms_at(draw, seed, tolerance, plain=plain) or JOBS_MAX


def computed(chances: dict[int, float], tolerance: int) -> float:
    """Plain CUSUM's mean distance of two alarms, without an end of a history."""
    return both_signs(run_length(chances, tolerance, 1), run_length(chances, tolerance, -1))


def show_biases() -> None:
    print(f"{'a bias of':40} {'median':>8} {'slowest tenth':>14}")
    for name, share in (("1 page in 2 jobs", 0.5), ("1 page in 3 jobs", 1 / 3), ("1 page in 5 jobs", 0.2)):
        lengths = list(run_lengths(biased(share)))
        print(f"{name:40} {median(lengths):8.0f} {quantiles(lengths, n=10)[-1]:14.0f}")


def show_noises() -> None:
    print(f"\n{'noise without a bias':40} {'mean':>8} {'plain CUSUM':>14} {'computed':>9} {'ratio':>7}")
    noises: list[tuple[str, Draw, int, dict[int, float]]] = [
        (f"1 page either way in {name}", balanced(share), 1, {-1: share / 2, 0: 1 - share, 1: share / 2})
        for name, share in (("1 job of 5", 0.2), ("2 jobs of 5", 0.4), ("2 jobs of 3", 2 / 3))
    ]
    noises.append(("anything within a tolerance of 5", spread(5), 5, dict.fromkeys(range(-5, 6), 1 / 11)))
    for name, draw, tolerance, chances in noises:
        ours = fmean(run_lengths(draw, tolerance))
        plain = fmean(run_lengths(draw, tolerance, plain=True))
        print(f"{name:40} {ours:8.0f} {plain:14.0f} {computed(chances, tolerance):9.0f} {ours / plain:7.1f}")
    print(f"(a history ends after {JOBS_MAX} jobs: sampled means near it are larger in truth, and so are ratios)")


# k, h, mean and run length: Brook & Evans 1972, Vance 1986, SAS/QC manual 1999.
PUBLISHED = (
    (0.5, 3, 0, 117.59),
    (0.5, 3, 1.5, 3.75),
    (0, 10, 0, 124.66),
    (0, 10, 0.25, 36.71),
    (0.25, 8, 2.5, 4.15008),
)


def show_published() -> None:
    print(f"\n{'plain CUSUM, one side, normal':40} {'published':>9} {'computed':>9} {'sampled':>9} {'error':>6}")
    for k, h, mean, published in PUBLISHED:
        sigma = (ALARM + 0.5) / h
        draw = normal_draw(SLACK + (mean - k) * sigma, sigma)
        sampled = [alarms_at(draw, seed, 100, plain=True, watched=(1,)) or JOBS_MAX for seed in range(5 * HISTORIES)]
        error = stdev(sampled) / math.sqrt(len(sampled))
        exact = run_length(normal(100, k, h, mean), 100)
        name = f"k {k}, h {h}, mean {mean}"
        print(f"{name:40} {published:9.2f} {exact:9.2f} {fmean(sampled):9.2f} {error:6.2f}")


def normal_draw(mean: float, sigma: float) -> Draw:
    return lambda random: round(random.gauss(mean, sigma))


def main() -> None:
    print(f"{HISTORIES} histories each; tolerance 1 page unless said; jobs until the first alarm")
    show_biases()
    show_noises()
    show_published()


if __name__ == "__main__":
    main()
