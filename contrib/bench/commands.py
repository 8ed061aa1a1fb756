"""What does each command that reads a journal cost, at two sizes, beside what it prints?

    python contrib/bench/commands.py [--printers 200] [--releases 10000 100000] [--only NAME ...] [--journals FOLDER]

Each runs in a process of its own on a month of contrib/drill/year_facts.py (--journals keeps both, and goes by those
that are there): CPU seconds of the process with all its threads, its highest resident memory in MiB, and what it
printed. A command may take no more than twice as many times the CPU as it has times the work: what it prints where it
prints each row, the releases where it adds them up. What the program takes to start is measured first, and left out;
what "nothing" takes, which reads an empty month, is in the figure of each.
Exit status 1 where one grows faster, and where one failed.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

sys.path.insert(0, str(Path(__file__).parents[1] / "drill"))

from figures import Figure, report
from questions import MONTH, make, size_of
from year_facts import ZONE

from pagereeve.store.sqlite.files import JOURNAL_NAME

GROWS_AT_MOST: Final = 2.0
FLOOR_S: Final = 0.25
"""Less than this is the machine's own unrest: a small size counts as having taken so long."""
MAIN: Final = "import sys; sys.argv[0] = 'pagereeve'; from pagereeve.cli import main; main()"
STARTS: Final = ("version",)
EMPTY_MONTH: Final = "2000-01"


@dataclass(frozen=True)
class Command:
    """``{printer}`` and ``{release}`` are of the month. ``work``: what its time may grow with. ``fine`` are the
    exit statuses of a command that did what it should.
    """

    name: str
    arguments: str
    work: Literal["printed", "releases"]
    fine: tuple[int, ...] = (0,)


_OF: Final = f"--period {MONTH} --zone {ZONE.key}"
COMMANDS: Final = (
    # What any command takes to load what reads a journal: several times as long where Python keeps no compiled modules.
    Command("nothing", f"ledger --period {EMPTY_MONTH} --zone {ZONE.key}", "releases"),
    Command("totals by printer", f"totals --by printer {_OF}", "releases"),
    Command("totals by person", f"totals --by person {_OF} --format csv", "releases"),
    Command("totals by day", f"totals --by day {_OF} --format csv", "releases"),
    Command("totals by release", f"totals --by release {_OF} --format csv", "printed"),
    Command("releases", "releases --format csv", "printed"),
    Command("ledger", f"ledger {_OF}", "printed"),
    Command("ledger of a printer", f"ledger {_OF} --printer {{printer}}", "printed"),
    Command("losses", f"losses {_OF}", "releases"),
    Command("statement", f"statement printer {{printer}} {_OF}", "printed"),
    Command("explain", "explain {release}", "printed"),
    Command("findings", "findings --json", "printed", (0, 1)),
    Command("close --dry-run", f"close {MONTH} --dry-run", "releases", (0, 1)),
    Command("facts", "facts", "printed"),
    Command("replay --check", "replay --check", "releases"),
    Command("verify", "verify", "releases"),
)


@dataclass(frozen=True)
class Took:
    cpu_s: float
    peak_mib: float
    printed_bytes: int


def run(arguments: list[str], fine: tuple[int, ...] = (0,)) -> Took:
    """Raises SystemExit where it ended otherwise."""
    with tempfile.TemporaryFile() as output, tempfile.TemporaryFile() as errors:
        process = subprocess.Popen([sys.executable, "-c", MAIN, *arguments], stdout=output, stderr=errors)
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode not in fine:
            errors.seek(0)
            raise SystemExit(
                f"{' '.join(arguments)} ended with {process.returncode}: {errors.read()[-2_000:].decode()}"
            )
        output.seek(0, os.SEEK_END)
        return Took(used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, output.tell())


def journal(folder: Path, printers: int, releases: int) -> Path:
    """Made where there is none."""
    there = folder / f"{printers}x{releases}"
    if not (there / JOURNAL_NAME).exists():
        there.mkdir(mode=0o700, parents=True)
        asyncio.run(make(there, size_of(printers, releases)))
    return there


def grown(command: Command, few: Took, many: Took, releases: tuple[int, int], starts: Took) -> float:
    """How many times the CPU grew of what its work grew."""
    cpu = max(FLOOR_S, many.cpu_s - starts.cpu_s) / max(FLOOR_S, few.cpu_s - starts.cpu_s)
    work = releases[1] / releases[0] if command.work == "releases" else many.printed_bytes / max(1, few.printed_bytes)
    return cpu / max(1.0, work)


def measure(args: argparse.Namespace, folder: Path) -> list[Figure]:
    few_releases, many_releases = args.releases
    folders = [journal(folder, args.printers, releases) for releases in args.releases]
    printer = size_of(args.printers, few_releases).names[0]
    starts = run([*STARTS])
    print(f"{'CPU s':>8} {'CPU s':>8} {'MiB':>6} {'MiB':>6} {'printed x':>9} {'CPU x':>7}")
    figures = []
    for command in COMMANDS:
        if args.only and command.name not in args.only:
            continue
        asked = command.arguments.format(printer=printer, release=f"{printer}-1").split()
        few, many = (run([*asked, "--data-dir", str(one)], command.fine) for one in folders)
        printed = many.printed_bytes / max(1, few.printed_bytes)
        cpu = f"{few.cpu_s:8.2f} {many.cpu_s:8.2f} {few.peak_mib:6.0f} {many.peak_mib:6.0f}"
        print(f"{cpu} {printed:9.1f} {many.cpu_s / few.cpu_s:7.1f}  {command.name}", flush=True)
        ratio = grown(command, few, many, (few_releases, many_releases), starts)
        figures.append(Figure(f"growth of {command.name}", ratio, f"that of its {command.work}", at_most=GROWS_AT_MOST))
    return figures


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--printers", type=int, default=200)
    parser.add_argument("--releases", type=int, nargs=2, default=(10_000, 100_000), metavar=("FEW", "MANY"))
    parser.add_argument("--only", nargs="+", default=[], help="Names of commands, as the table has them.")
    parser.add_argument("--journals", type=Path, help="A folder for both journals, which are kept.")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        return report(measure(args, args.journals or Path(name)))


if __name__ == "__main__":
    sys.exit(main())
