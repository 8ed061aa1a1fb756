"""A backup beside a journal that stores: what it costs those who wait for a commit, and how fast it is.

    python contrib/bench/backup.py [--rounds 3] [--facts 300000] [--folder DIR]

A lone producer appends events to the journal; in half of the rounds ``pagereeve backup`` runs beside it, as a process
of its own. The target: the median commit takes at most twice as long. Printed besides: the 99th percentile, facts a
second, and the most memory that the backup took. Absolute figures depend on the disk: choose --folder accordingly.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from figures import Figure, report

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from pagereeve.app.clocks import SystemClock  # noqa: E402 - tests are no package that is installed
from pagereeve.store.sqlite.files import JOURNAL_NAME  # noqa: E402
from pagereeve.store.sqlite.journal import SqlJournal  # noqa: E402
from tests.journal_samples import badge  # noqa: E402
from tests.realistic_journal import Size, fill  # noqa: E402

CODE = "import sys; from pagereeve.cli import main; main(sys.argv[1:])"
MEDIAN_AT_MOST = 2.0
MIB = 2**20
ALONE_S = 3.0


@dataclass(slots=True)
class Figures:
    """Seconds of each append, alone and beside a backup; what each backup said of itself."""

    alone: list[float] = field(default_factory=list)
    beside: list[float] = field(default_factory=list)
    backups: list[dict[str, Any]] = field(default_factory=list)

    @property
    def ratio(self) -> float:
        return statistics.median(self.beside) / statistics.median(self.alone)


async def measure(folder: Path, facts: int, rounds: int, alone_s: float = ALONE_S) -> Figures:
    journal = folder / JOURNAL_NAME
    await fill(journal, Size(printers=50, facts=max(1, facts // 51), segments=40))
    figures, opened = Figures(), await SqlJournal.open(journal, SystemClock())
    try:
        for number in range(rounds):
            await _append(opened, f"alone-{number}", asyncio.create_task(asyncio.sleep(alone_s)), figures.alone)
            task = asyncio.create_task(_back_up(folder, folder / "backup"))
            await _append(opened, f"beside-{number}", task, figures.beside)
            figures.backups.append(await task)
    finally:
        await opened.close()
    return figures


async def _append(journal: SqlJournal, name: str, until: asyncio.Task[Any], times: list[float]) -> None:
    number = 0
    while not until.done():
        began = time.perf_counter()
        await journal.append(badge(f"{name}-{number}", f"printer-{number % 50:03d}"))
        times.append(time.perf_counter() - began)
        number += 1


async def _back_up(folder: Path, target: Path) -> dict[str, Any]:
    argv = (sys.executable, "-c", CODE, "backup", str(target), "--replace", "--json", "--data-dir", str(folder))
    process = await asyncio.create_subprocess_exec(*argv, stdout=asyncio.subprocess.PIPE)
    out, _ = await process.communicate()
    if process.returncode != 0:
        raise SystemExit(f"the backup ended with {process.returncode}")
    said: dict[str, Any] = json.loads(out)
    return said


def shown(figures: Figures) -> Sequence[str]:
    last = figures.backups[-1]
    memory_kib = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    took = f"{last['size_bytes'] / MIB:.0f} MiB in {last['duration_s']:.1f} s, {memory_kib / 1024:.0f} MiB of memory"
    return [
        f"commit alone:    median {_ms(figures.alone, 50)} ms, 99th percentile {_ms(figures.alone, 99)} ms",
        f"beside a backup: median {_ms(figures.beside, 50)} ms, 99th percentile {_ms(figures.beside, 99)} ms",
        f"backup: {last['facts']} facts, {took} at most; {last['facts'] / last['duration_s']:,.0f} facts a second",
    ]


def _ms(times: Sequence[float], percentile: int) -> str:
    return f"{1_000 * statistics.quantiles(times, n=100)[percentile - 1]:.2f}"


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--rounds", type=int, default=3)
    options.add_argument("--facts", type=int, default=300_000)
    options.add_argument("--folder", type=Path)
    chosen = options.parse_args()
    with tempfile.TemporaryDirectory(dir=chosen.folder) as folder:
        figures = asyncio.run(measure(Path(folder), chosen.facts, chosen.rounds))
    print("\n".join(shown(figures)))
    return report([Figure("median commit beside a backup", figures.ratio, "without one", at_most=MEDIAN_AT_MOST)])


if __name__ == "__main__":
    sys.exit(main())
