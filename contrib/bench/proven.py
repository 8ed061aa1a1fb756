"""How many releases of a busy day are proven, and who is named or charged by a guess: the ledger beside the truth.

    python contrib/bench/proven.py [--every 120 60 30 20] [--hours 2] [--seeds 5] [--copies 6] [--odd 3]
        [--rest 0 30] [--told none counted] [--numbered] [--jobs 2]

Simulated days of one printer in virtual time (busy_day.py): the daemon's own cadence, the simulator's print engine.
``--every`` are mean distances of two releases in seconds; ``--copies`` and ``--odd`` per cent of the releases: walk-up
copies beside them, and jobs that print otherwise than their ticket says; ``--rest`` how long a release server waits
at most for the meter to rest before it lets a job go (0: it does not wait). ``--told`` is what the printer tells of its
own jobs (pagereeve.simulator.printer.model.JobHabit); ``--numbered``: notices name the printer's number of the job.
Seeds are 1 and on, so that two programs are measured by the same days. Each row sums the days of all seeds; per cent
are of the releases.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import get_args

sys.path.insert(0, str(Path(__file__).parent))

from busy_day import Day, Figures, run

from pagereeve.simulator.printer.model import JobHabit

Column = tuple[str, Callable[[Figures], str]]


def share(of: Callable[[Figures], int]) -> Callable[[Figures], str]:
    return lambda figures: f"{100 * of(figures) / figures.releases:.1f} %"


COLUMNS: tuple[Column, ...] = (
    ("releases", lambda one: f"{one.releases}"),
    ("alone", share(lambda one: one.alone)),
    ("matched", share(lambda one: one.matched)),
    ("off", share(lambda one: one.off)),
    ("unjudged", share(lambda one: one.unjudged)),
    ("innocents", lambda one: f"{one.innocents}"),
    ("odd named", lambda one: f"{one.named}/{one.odd}"),
    ("hidden", lambda one: f"{one.hidden}"),
    ("overcharged", lambda one: f"{one.overcharged}"),
    ("pages", lambda one: f"{one.overcharged_pages}"),
    ("uncharged pages", lambda one: f"{one.uncharged_pages}/{one.claimed_pages}"),
    ("reads a release", lambda one: f"{one.reads / one.releases:.1f}"),
    ("mean wait", lambda one: f"{one.waited_s / one.releases:.1f} s"),
)


def figures_of(day: Day) -> Figures:
    return run(day).figures


def summed(figures: Iterable[Figures]) -> Figures:
    return sum(figures, Figures())


def table(rows: Iterable[tuple[str, Figures]]) -> Iterator[str]:
    """Lines of a table in which each column is as wide as its name or its figure."""
    width = {name: max(len(name), 9) for name, _ in COLUMNS}
    yield " ".join([f"{'every':>6} {'wait':>5} {'jobs':>9}", *(f"{name:>{width[name]}}" for name, _ in COLUMNS)])
    for label, figures in rows:
        yield " ".join([label, *(f"{show(figures):>{width[name]}}" for name, show in COLUMNS)])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--every", type=float, nargs="+", default=[120, 60, 30, 20])
    parser.add_argument("--hours", type=float, default=2.0)
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--copies", type=float, default=6.0)
    parser.add_argument("--odd", type=float, default=3.0)
    parser.add_argument("--rest", type=float, nargs="+", default=[0, 30])
    parser.add_argument("--told", choices=get_args(JobHabit), nargs="+", default=["none"])
    parser.add_argument("--numbered", action="store_true")
    parser.add_argument("--jobs", type=int, default=2)
    asked = parser.parse_args()
    groups = [(every_s, rest_s, told) for rest_s in asked.rest for every_s in asked.every for told in asked.told]
    days = [
        Day(seed, every_s, asked.hours, asked.copies / 100, asked.odd / 100, rest_s, told, asked.numbered)
        for every_s, rest_s, told in groups
        for seed in range(1, asked.seeds + 1)
    ]
    with ProcessPoolExecutor(max_workers=asked.jobs) as pool:
        done = list(pool.map(figures_of, days))
    rows = []
    for nth, (every_s, rest_s, told) in enumerate(groups):
        label = f"{every_s:4.0f} s {f'{rest_s:.0f} s' if rest_s else '-':>5} {told:>9}"
        rows.append((label, summed(done[nth * asked.seeds : (nth + 1) * asked.seeds])))
    print(f"{asked.seeds} days of {asked.hours:g} h a row; {asked.copies:g} % copies, {asked.odd:g} % odd jobs")
    print("\n".join(table(rows)))


if __name__ == "__main__":
    main()
