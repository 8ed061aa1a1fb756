"""The cost of a ledger: releases a CPU-second in a rebuild, and of one more release after much or little history.

    python contrib/bench/project_ledger.py [--sizes 1000 100000] [--rebuild 20000] [--tail 500] [--rounds 3]

Targets: one more release costs at most 1.2 times as much after 10^6 releases as after 10^3, and a rebuild
takes 20,000 releases a CPU-second. Times are CPU time of this process, the best of the rounds; absolute figures
depend on the machine, ratios hardly do. The history is invented: one printer, a release every two minutes, polled
while a window is open.
"""

from __future__ import annotations

import argparse
import gc
import time
from collections.abc import Iterator

from figures import Figure, report

from pagereeve.domain.facts.facts import Fact, Origin, PlateauRead, PolicySet, ReleaseEnded, ReleaseStarted
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Count, Plateau, PrinterState, Sight, Unit
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.projection.projector import PrinterProjector, rebuild
from pagereeve.domain.values.instants import SECOND_US

BEGIN_US = 1_700_000_000 * SECOND_US
EVERY_US = 120 * SECOND_US
PRINTER = "bench"
Step = tuple[Fact | None, PlateauRead | None]


def plateau(from_s: float, to_s: float, count: int, total: int, state: PrinterState, base_us: int) -> Plateau:
    first_us, last_us = base_us + int(from_s * SECOND_US), base_us + int(to_s * SECOND_US)
    sight = Sight((("total", Count(total, Unit.IMPRESSIONS)),), "PR-1", "1.3.6.1.4.1.99999.1", state)
    uptime = (first_us - BEGIN_US) // 10_000 + 100_000, (last_us - BEGIN_US) // 10_000 + 100_000
    return Plateau(
        first_us, first_us + 20_000, last_us, last_us + 20_000, count, sight, uptime[0] % 2**32, uptime[1] % 2**32
    )


def steps(first: int, releases: int) -> Iterator[Step]:
    """What the daemon hears of releases number ``first`` and on: a fact, or a growing plateau, or both."""
    for nth in range(first, first + releases):
        base_us, total, pages = BEGIN_US + nth * EVERY_US, nth * 4, 4
        name = f"r{nth}"
        resting = plateau(-100, -0.5, 3, total, PrinterState.IDLE, base_us)
        yield None, PlateauRead(PRINTER, resting)
        ticket = Ticket(pages=pages, copies=1, sides="one-sided", number_up=1, separator_sheets=0)
        begun = Origin("urn:bench", f"{name}-s", base_us, base_us + 1000, base_us)
        yield ReleaseStarted(PRINTER, begun, name, f"job-{nth}", f"owner-{nth % 97}", ticket=ticket), None
        yield None, PlateauRead(PRINTER, plateau(-100, 0.1, 4, total, PrinterState.IDLE, base_us))
        first_pages = plateau(3, 3, 1, total + 2, PrinterState.PRINTING, base_us)
        yield (
            PlateauRead(PRINTER, plateau(-100, 0.1, 4, total, PrinterState.IDLE, base_us)),
            PlateauRead(PRINTER, first_pages),
        )
        end_us = base_us + 4 * SECOND_US
        ended = Origin("urn:bench", f"{name}-e", end_us, end_us + 1000, end_us)
        yield ReleaseEnded(PRINTER, ended, name, "completed"), None
        yield (
            PlateauRead(PRINTER, first_pages),
            PlateauRead(PRINTER, plateau(6, 6, 1, total + pages, PrinterState.IDLE, base_us)),
        )
        for second in (9, 13, 17.5):
            yield None, PlateauRead(PRINTER, plateau(6, second, 4, total + pages, PrinterState.IDLE, base_us))
        yield PlateauRead(PRINTER, plateau(6, 17.5, 4, total + pages, PrinterState.IDLE, base_us)), None


def facts(releases: int) -> list[Fact]:
    known: list[Fact] = [PolicySet(PRINTER, BEGIN_US - SECOND_US, Policy())]
    return known + [fact for fact, _ in steps(0, releases) if fact is not None]


def rebuild_rate(releases: int) -> float:
    known = facts(releases)
    gc.collect()
    begun = time.process_time()
    segments = rebuild(PRINTER, known)
    spent = time.process_time() - begun
    charges = sum(len(segment.charges) for segment in segments)
    if charges != releases:
        raise SystemExit(f"{charges} charges for {releases} releases: the benchmark's history is wrong")
    return releases / spent


def after_history(history: int, tail: int) -> float:
    """CPU microseconds for each of ``tail`` releases, fact by fact in a projector that has seen ``history`` before."""
    projector = PrinterProjector(PRINTER, Rules.of([PolicySet(PRINTER, BEGIN_US - SECOND_US, Policy())]))
    for fact, current in steps(0, history):
        _take(projector, fact, current)
    gc.collect()
    rest = list(steps(history, tail))
    begun = time.process_time()
    for fact, current in rest:
        _take(projector, fact, current)
    return (time.process_time() - begun) / tail * 1e6


def _take(projector: PrinterProjector, fact: Fact | None, current: PlateauRead | None) -> None:
    if fact is not None:
        projector.add(fact)
    if current is not None:
        projector.open_run(current)
    projector.advance()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", type=int, nargs="+", default=[1_000, 10_000])
    parser.add_argument("--rebuild", type=int, default=20_000)
    parser.add_argument("--tail", type=int, default=500)
    parser.add_argument("--rounds", type=int, default=3)
    asked = parser.parse_args()
    rate = max(rebuild_rate(asked.rebuild) for _ in range(asked.rounds))
    figures = [Figure(f"rebuild of {asked.rebuild:,} releases", rate, "a CPU-second", unit="", at_least=20_000)]
    costs = {size: min(after_history(size, asked.tail) for _ in range(asked.rounds)) for size in asked.sizes}
    for size, cost in costs.items():
        ratio = cost / costs[asked.sizes[0]]
        print(f"after {size:>9,} releases: {cost:>9,.0f} us CPU a release")
        figures.append(Figure(f"a release after {size:,}", ratio, f"one after {asked.sizes[0]:,}", at_most=1.2))
    return report(figures)


if __name__ == "__main__":
    raise SystemExit(main())
