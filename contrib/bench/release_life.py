"""What a release's whole life costs the engine, in CPU: intake, readings, projections, bodies and rows.

The daemon's own intake and watchers in virtual time over a journal in memory, which encodes as the one on disk does;
no socket, no commit. Each printer shows a billed counter and five more. One life: a start notice, a few pages, an end
notice, rest. CPU is the process's own, so that a busy machine says little about it; for two versions of the code run
both by turns.

    python contrib/bench/release_life.py [--printers 300] [--releases 1500] [--per-second 100] [--gated]
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import time
from collections import Counter as Tally
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

from figures import Figure, report

from pagereeve.domain.facts.reading import Count, Sight, Unit
from pagereeve.store.memory.journal import MemoryJournal
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import FakePrinter, World

PAGES = 5
WAIT_S = 5.0
SETTLES_WITHIN_S = 90.0
CHANNELS = ("duplex", "mono", "picked", "prints", "sheets", "total")


class WitnessedPrinter(FakePrinter):
    """All six counts move with each page, as far as the engine is concerned."""

    def sight(self, now_s: float) -> Sight:
        shown = super().sight(now_s)
        counts = tuple((name, Count(self.value, Unit.IMPRESSIONS)) for name in CHANNELS)
        return Sight(counts, shown.serial, shown.object_id, shown.state, shown.errors)


@dataclass
class CountingJournal(MemoryJournal):
    """``asked`` counts what goes to the writer."""

    asked: Tally[str] = field(default_factory=Tally)

    def __post_init__(self) -> None:
        MemoryJournal.__init__(self)

    def heard_elsewhere(self, _: Any) -> tuple[tuple[str, int], ...]:
        # Nothing comes from another journal; the one in memory looks through all facts for that.
        return ()

    def _store(self, request: Any) -> Any:
        self.asked[type(request).__name__] += 1
        return super()._store(request)


async def lives(args: argparse.Namespace) -> list[Figure]:
    printers: dict[str, FakePrinter] = {f"p{nth}": WitnessedPrinter() for nth in range(args.printers)}
    journal = CountingJournal()
    async with World(printers=printers, store=journal) as world:
        await world.passes(60)
        journal.asked.clear()
        projected = world.counters.projections
        reads = sum(map(len, world.meter.sent_s.values()))
        cpu_s = time.process_time()
        await asyncio.gather(*(_life(world, nth, args) for nth in range(args.releases)))
        await world.passes(SETTLES_WITHIN_S)
        cpu_s = time.process_time() - cpu_s
        open_windows = sum(watcher.open_windows() for watcher in world.registry.watchers.values())
        reads = sum(map(len, world.meter.sent_s.values())) - reads
        if world.troubles or open_windows:
            raise AssertionError(f"{open_windows} windows are open; {world.troubles[:3]}")
        asked = ", ".join(f"{name} {many / args.releases:.2f}" for name, many in sorted(journal.asked.items()))
        print(f"{args.releases} releases at {args.printers} printers, {args.per_second:g}/s, gated: {args.gated}")
        projections = (world.counters.projections - projected) / args.releases
        print(f"a release: reads {reads / args.releases:.2f}, projections {projections:.2f}; to the writer: {asked}")
    gated = "gated" if args.gated else "not gated"
    return [Figure(f"the engine's CPU a release, {gated}", 1000 * cpu_s / args.releases, unit="ms")]


async def _life(world: World, nth: int, args: argparse.Namespace) -> None:
    await world.passes(nth / args.per_second)
    name, printer = f"r{nth}", f"p{nth * 7919 % args.printers}"
    await world.start(name, PAGES, printer, wait_s=WAIT_S if args.gated else None)
    world.printers[printer].print(world.now_s, PAGES, first_s=1.0, page_s=0.1)
    await world.passes(1.5)
    await world.end(name)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--printers", type=int, default=300)
    parser.add_argument("--releases", type=int, default=1500)
    parser.add_argument("--per-second", type=float, default=100.0)
    parser.add_argument("--gated", action="store_true")
    return report(passing(lives(parser.parse_args())))


if __name__ == "__main__":
    raise SystemExit(main())
