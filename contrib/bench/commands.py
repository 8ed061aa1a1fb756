"""What does each command that reads a journal cost, at two sizes, beside what it prints?

    python contrib/bench/commands.py [--printers 200] [--releases 10000 100000] [--only NAME ...] [--journals FOLDER]

Each runs in a process of its own on a month of contrib/drill/year_facts.py (--journals keeps both, and goes by those
that are there): CPU seconds of the process with all its threads, its highest resident memory in MiB (never less than
this one's own, with which the process begins), and what it printed. A command may take no more than twice as many
times the CPU as it has times the work: what it prints where it prints each row, the releases where it adds them up.
What the program takes to start is measured first, and left out; what "nothing" takes, which reads an empty month, is in
the figure of each. Compiled modules are kept, as where it is installed. Every command of ``pagereeve --help`` is asked,
or LEFT says why not; --releases 100000 1000000 takes hours, of which most go into making the larger month.
Exit status 1 where one grows faster, and where one failed.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

sys.path.insert(0, str(Path(__file__).parents[1] / "drill"))

from figures import Figure, report
from questions import MONTH, make, size_of
from year_facts import ZONE

from pagereeve.cli import COMMANDS as ALL_COMMANDS
from pagereeve.store.sqlite.files import JOURNAL_NAME

GROWS_AT_MOST: Final = 2.0
FLOOR_S: Final = 0.25
"""Less than this is the machine's own unrest: a small size counts as having taken so long."""
MAIN: Final = "import sys; sys.argv[0] = 'pagereeve'; from pagereeve.cli import main; main()"
STARTS: Final = ("version",)
EMPTY_MONTH: Final = "2000-01"
SETTINGS: Final = f"""
data_dir = "{{folder}}"
[site]
zone = "{ZONE.key}"
[[rates]]
name = "invented"
currency = "EUR"
from = "2000-01-01"
prices = [{{{{ channel = "total", price = "0.02" }}}}, {{{{ channel = "colour", price = "0.1" }}}}]
"""


@dataclass(frozen=True)
class Command:
    """``{printer}``, ``{release}``, ``{person}``, ``{centre}`` and ``{bill}`` are of the month; ``{scratch}`` is an
    empty folder. ``work``: what its time may grow with. ``fine`` are the exit statuses of a command that did what it
    should. ``place`` says how it is told of the journal; ``changes``: it gets a copy of its own.
    """

    name: str
    arguments: str
    work: Literal["printed", "releases"]
    fine: tuple[int, ...] = (0,)
    place: Literal["--data-dir", "--config"] = "--data-dir"
    changes: bool = False


_OF: Final = f"--period {MONTH} --zone {ZONE.key}"
COMMANDS: Final = (
    # What any command takes to load what reads a journal: several times as long where Python keeps no compiled modules.
    Command("nothing", f"ledger --period {EMPTY_MONTH} --zone {ZONE.key}", "releases"),
    Command("totals by printer", f"totals --by printer {_OF}", "releases"),
    Command("totals by person", f"totals --by person {_OF} --format csv", "releases"),
    Command("totals by cost centre", f"totals --by cost-centre {_OF} --format csv", "releases"),
    Command("totals by day", f"totals --by day {_OF} --format csv", "releases"),
    Command("totals by release", f"totals --by release {_OF} --format csv", "printed"),
    Command("costs", f"costs {_OF} --format csv", "releases", (0, 1), "--config"),
    Command("releases", "releases --format csv", "printed"),
    Command("ledger", f"ledger {_OF}", "printed"),
    Command("ledger of a printer", f"ledger {_OF} --printer {{printer}}", "printed"),
    Command("losses", f"losses {_OF}", "releases"),
    Command("statement of a printer", f"statement printer {{printer}} {_OF}", "printed"),
    Command("statement of a person", f"statement person {{person}} {_OF}", "printed"),
    Command("statement of a cost centre", f"statement cost-centre {{centre}} {_OF}", "printed"),
    Command("explain", "explain {release}", "printed"),
    Command("findings", "findings --json", "printed", (0, 1)),
    Command("findings summary", f"findings summary {_OF}", "releases"),
    Command("alerts", "alerts --json", "printed", (0, 1)),
    Command("decide list", "decide list", "printed", (0, 1)),
    Command("people list", "people list --json", "printed", (0, 1)),
    Command("credentials list", "credentials list", "printed"),
    Command("noted-readings", "noted-readings", "printed", (0, 1)),
    # Of each printer it goes through what was read on the days that are billed from and to.
    Command("supplier-bill", "supplier-bill {bill}", "releases", (0, 1)),
    Command("close --dry-run", f"close {MONTH} --dry-run", "releases", (0, 1)),
    Command("closed", "closed", "printed"),
    Command("changed", "changed", "printed", (0, 1)),
    Command("doctor", "doctor", "printed", (0, 1), "--config"),
    Command("backup", "backup {scratch}/copy", "releases"),
    Command("facts", "facts", "printed"),
    Command("replay --check", "replay --check", "releases"),
    Command("replay", "replay", "releases", changes=True),
    Command("verify", "verify", "releases"),
)
LEFT: Final[Mapping[str, str]] = {
    **dict.fromkeys(("run", "relay", "ready", "demo", "simulate"), "goes on, or asks what goes on"),
    **dict.fromkeys(("prove", "read", "printers"), "reads meters"),
    **dict.fromkeys(("profile", "check-config", "project"), "reads a file of its own"),
    **dict.fromkeys(("example", "schema", "docs", "completion", "version"), "prints what comes with the program"),
    **dict.fromkeys(("note-reading", "clock", "erase", "erase-titles"), "stores a few facts, or changes a person's"),
    "archive": "goes by closed periods; contrib/drill closes them",
    "restore": "copies a file; backup does as much",
    "move": "needs a database's server, and compares what it wrote",
}


def require_all_named() -> None:
    """Raises SystemExit where a command of the program is neither measured nor left out."""
    asked = {command.arguments.split()[0] for command in COMMANDS}
    known = {name for name, _, _ in ALL_COMMANDS}
    wrong = sorted(known ^ (asked | LEFT.keys()))
    if wrong:
        raise SystemExit(f"name these in COMMANDS or in LEFT, where they exist: {', '.join(wrong)}")


@dataclass(frozen=True)
class Took:
    cpu_s: float
    peak_mib: float
    printed_bytes: int


def run(arguments: list[str], compiled: Path, fine: tuple[int, ...] = (0,)) -> Took:
    """Raises SystemExit where it ended otherwise. Compiled modules are kept in the folder ``compiled``."""
    environment = {name: text for name, text in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment["PYTHONPYCACHEPREFIX"] = str(compiled)
    with tempfile.TemporaryFile() as output, tempfile.TemporaryFile() as errors:
        begun = [sys.executable, "-c", MAIN, *arguments]
        process = subprocess.Popen(begun, stdout=output, stderr=errors, env=environment)
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


@dataclass(frozen=True)
class Asking:
    """Where things are that commands are asked with."""

    scratch: Path
    settings: Path
    bill: Path

    @classmethod
    def at(cls, folder: Path, printers: int) -> Asking:
        asking = cls(folder / "scratch", folder / "settings.toml", folder / "bill.csv")
        head = "serial,opening,opening_date,closing,closing_date\n"
        lines = (f"INVENTED-{nth:04},10000,{MONTH}-05,12000,{MONTH}-25\n" for nth in range(printers))
        asking.bill.write_text(head + "".join(lines), encoding="utf-8")
        return asking

    def took(self, command: Command, journal_at: Path, printer: str) -> Took:
        self.scratch.mkdir()
        try:
            return self._took(command, journal_at, printer)
        finally:
            shutil.rmtree(self.scratch)

    def _took(self, command: Command, journal_at: Path, printer: str) -> Took:
        names = {"printer": printer, "release": f"{printer}-1", "person": "user-00001", "centre": "department-01"}
        asked = command.arguments.format(**names, bill=self.bill, scratch=self.scratch).split()
        if command.changes:
            journal_at = Path(shutil.copytree(journal_at, self.scratch / "changed"))
        place = journal_at
        if command.place == "--config":
            place = self.settings
            place.write_text(SETTINGS.format(folder=journal_at), encoding="utf-8")
        return run([*asked, command.place, str(place)], self.settings.parent / "compiled", command.fine)


def grown(command: Command, few: Took, many: Took, releases: tuple[int, int], starts: Took) -> float:
    """How many times the CPU grew of what its work grew."""
    cpu = max(FLOOR_S, many.cpu_s - starts.cpu_s) / max(FLOOR_S, few.cpu_s - starts.cpu_s)
    work = releases[1] / releases[0] if command.work == "releases" else many.printed_bytes / max(1, few.printed_bytes)
    return cpu / max(1.0, work)


def measure(args: argparse.Namespace, folder: Path, scratch: Path) -> list[Figure]:
    few_releases, many_releases = args.releases
    folders = [journal(folder, args.printers, releases) for releases in args.releases]
    printer = size_of(args.printers, few_releases).names[0]
    asking = Asking.at(scratch, args.printers)
    asking.took(COMMANDS[0], folders[0], printer)  # compiles what most commands load
    starts = run([*STARTS], scratch / "compiled")
    print(f"{'CPU s':>8} {'CPU s':>8} {'MiB':>6} {'MiB':>6} {'printed x':>9} {'CPU x':>7}")
    figures = []
    for command in COMMANDS:
        if args.only and command.name not in args.only:
            continue
        few, many = (asking.took(command, one, printer) for one in folders)
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
    require_all_named()
    if args.journals is not None:
        args.journals.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=args.journals) as name:
        return report(measure(args, args.journals or Path(name), Path(name)))


if __name__ == "__main__":
    sys.exit(main())
