"""How soon the CUSUM of domain/bias.py finds a small steady bias, and how seldom it takes noise for one.

Run lengths in jobs over many random histories of one printer, each with a fixed seed: the median and the tenth that
took longest for biases, and the mean distance of two false alarms for noise without one. Plain CUSUM (h alone, without
the condition that differences don't cancel) stands beside it: what that is for is the ratio of the two distances.

    python contrib/bench/bias.py
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from random import Random
from statistics import median, quantiles

from pagereeve.domain.ledger import ReleaseKey
from pagereeve.domain.patterns.bias import ALARM, BiasStep, Excursion, after, signs_after

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


def alarms_at(draw: Draw, seed: int, tolerance: int, *, plain: bool) -> int | None:
    """The job at which the first alarm came, of either sign."""
    random, signs = Random(seed), ""
    held: dict[int, Excursion | None] = {1: None, -1: None}
    for job in range(1, JOBS_MAX + 1):
        step = BiasStep(draw(random), tolerance, job, KEY)
        signs = signs_after(signs, step)
        for sign in (1, -1):
            held[sign] = one = after(held[sign], step, sign, signs)
            if one is not None and (one.level > ALARM if plain else one.alarmed):
                return job
    return None


def run_lengths(draw: Draw, tolerance: int = 1, *, plain: bool = False) -> Iterator[int]:
    for seed in range(HISTORIES):
        yield alarms_at(draw, seed, tolerance, plain=plain) or JOBS_MAX


def main() -> None:
    print(f"{HISTORIES} histories each; tolerance 1 page unless said; jobs until the first alarm")
    print(f"{'a bias of':40} {'median':>8} {'slowest tenth':>14}")
    for name, share in (("1 page in 2 jobs", 0.5), ("1 page in 3 jobs", 1 / 3), ("1 page in 5 jobs", 0.2)):
        lengths = list(run_lengths(biased(share)))
        print(f"{name:40} {median(lengths):8.0f} {quantiles(lengths, n=10)[-1]:14.0f}")
    print(f"\n{'noise without a bias':40} {'mean':>8} {'plain CUSUM':>14} {'ratio':>7}")
    noises = (
        ("1 page either way in 1 job of 5", balanced(0.2), 1),
        ("1 page either way in 2 jobs of 5", balanced(0.4), 1),
        ("1 page either way in 2 jobs of 3", balanced(2 / 3), 1),
        ("anything within a tolerance of 5", spread(5), 5),
    )
    for name, draw, tolerance in noises:
        ours = sum(run_lengths(draw, tolerance)) / HISTORIES
        plain = sum(run_lengths(draw, tolerance, plain=True)) / HISTORIES
        print(f"{name:40} {ours:8.0f} {plain:14.0f} {ours / plain:7.1f}")
    print(f"(a history ends after {JOBS_MAX} jobs: means near it are larger in truth)")


if __name__ == "__main__":
    main()
