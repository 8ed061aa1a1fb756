"""All benchmarks, one after the other, and one table of what they came to: contrib/bench/all runs this.

    contrib/bench/all [--quick] [--only NAME ...] [--outputs FOLDER]

--quick makes each small: it shows that all of them run, and its figures mean little. Otherwise it takes some hours,
most of them for the month of a million releases (questions); nothing else should run on the machine meanwhile. What
each printed is kept in a file of its own. Exit status 1 if a target is missed or a benchmark failed.
"""

from __future__ import annotations

import argparse
import os
import platform
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from figures import FILE_VARIABLE, Figure, read_back

HERE: Final = Path(__file__).parent


@dataclass(frozen=True)
class Run:
    """A benchmark with its arguments: those of the whole, and those of a small one."""

    name: str
    whole: str = ""
    quick: str = ""

    @property
    def label(self) -> str:
        return f"{self.name} {self.whole}".rstrip()

    def command(self, *, quick: bool) -> list[str]:
        return [sys.executable, str(HERE / f"{self.name}.py"), *(self.quick if quick else self.whole).split()]


# bias and proven, which ask how well the program judges and not how fast, are run by hand.
RUNS: Final = (
    Run("meter_read", "", "--rounds 1 --seconds 0.3"),
    Run("meter_read", "--uvloop", "--rounds 1 --seconds 0.3 --uvloop"),
    Run("usm_read", "--uvloop", "--rounds 1 --seconds 0.3 --uvloop"),
    Run("meter_fleet", "", "--printers 200 --good 20 --dead 50 --reads 3000"),
    Run("read_fleet", "", "--printers 20 --good 5 --dead 5"),
    Run("hostile_answers", "", "--mutated 5000 --burst 50"),
    Run("ingest", "", "--rounds 1 --events 300"),
    Run("journal_commit", "", "--rounds 1 --seconds 0.2 --history 5000"),
    Run("journal_postgres", "", "--rounds 1 --seconds 0.3"),
    Run("workers", "", "--printers 8 --seconds 2 --rounds 1"),
    Run("badges_of_daemons", "", "--rounds 1 --seconds 0.3"),
    Run("database_size", "", "--releases 200"),
    Run("journal_size", "", "--printers 3 --releases 60"),
    Run("fact_partitions", "", "--facts 12000 --printers 20 --rounds 1 --groups 5 --times 40"),
    Run("backup", "", "--rounds 1 --facts 5000"),
    Run("canonical", "", "--rounds 2"),
    Run("project_ledger", "--sizes 1000 1000000", "--rebuild 500 --sizes 100 200 --rounds 1"),
    Run("period_totals", "", "--charges 5000 --rounds 1"),
    Run("exports", "", "--releases 2000"),
    Run("metrics_scrape", "", "--printers 200 --rounds 2"),
    Run("metrics_scrape", "--printers 20000", "--printers 300 --rounds 2"),
    Run("notice_to_read", "", "--printers 50 --rate 20 --seconds 5"),
    Run("notice_to_read", "--gated --rate 500", "--printers 50 --rate 20 --seconds 5 --gated"),
    Run("notice_to_read", "--peak", "--printers 50 --seconds 4 --peak"),
    Run("notice_to_read", "--printers 5000 --scrape-s 5", "--printers 50 --rate 20 --seconds 4 --scrape-s 1"),
    Run("start", "", "--new 50 --printers 3 --releases 60"),
    Run("resident", "", "--printers 60 --base 20"),
    Run("release_life", "--gated", "--printers 20 --releases 40 --gated"),
    Run("whole_life", "", "--printers 20 --rate 5 --seconds 4 --rounds 1 --rest-s 2"),
    Run("commands", "", "--printers 3 --releases 60 200"),
    Run("questions", "", "--printers 3 --releases 60 --rounds 2 --seconds 1 --turns 1"),
)


@dataclass(frozen=True)
class Came:
    """What a benchmark came to."""

    run: Run
    status: int
    took_s: float
    figures: list[Figure]


def run_one(run: Run, outputs: Path, *, quick: bool) -> Came:
    """Its output goes to a file, its figures come back."""
    with tempfile.TemporaryDirectory() as folder, (outputs / f"{run.label}.txt").open("w", encoding="utf-8") as output:
        kept = Path(folder, "figures")
        kept.touch()
        began_s = time.monotonic()
        around = os.environ | {FILE_VARIABLE: str(kept)}
        command = run.command(quick=quick)
        done = subprocess.run(command, stdout=output, stderr=subprocess.STDOUT, env=around, check=False)
        return Came(run, done.returncode, time.monotonic() - began_s, read_back(kept))


def machine() -> list[str]:
    """What the figures were measured on."""
    return [
        f"{processor()}, {len(os.sched_getaffinity(0))} processors; load {os.getloadavg()[0]:.1f} at the start",
        f"{platform.system()} {platform.release()}",
        f"Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}",
    ]


def processor() -> str:
    """The first model that Linux names (proc(5)); elsewhere what Python knows."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return platform.processor()
    models = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return models[0] if models else platform.machine()


def shown(came: Came) -> list[str]:
    """One without a figure that failed is told by its status; else its figures say whether it is good."""
    lines = [f"{came.run.label}: {came.took_s:.0f} s"]
    if came.status and all(figure.kept for figure in came.figures):
        lines.append(f"FAILED  exit status {came.status}; its output says why")
    return lines + [str(figure) for figure in came.figures]


def chosen(only: Sequence[str]) -> list[Run]:
    if unknown := set(only) - {run.name for run in RUNS}:
        raise SystemExit(f"no benchmark is called {', '.join(sorted(unknown))}")
    return [run for run in RUNS if not only or run.name in only]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--only", nargs="+", default=[], metavar="NAME")
    parser.add_argument(
        "--outputs", type=Path, help="Folder for what each printed; default: a new one, which is named."
    )
    options = parser.parse_args()
    outputs = options.outputs or Path(tempfile.mkdtemp(prefix="pagereeve-bench-"))
    outputs.mkdir(exist_ok=True)
    print("\n".join([*machine(), f"outputs in {outputs}", ""]), flush=True)
    good = True
    for run in chosen(options.only):
        came = run_one(run, outputs, quick=options.quick)
        good = good and came.status == 0
        print("\n".join(shown(came)), flush=True)
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
