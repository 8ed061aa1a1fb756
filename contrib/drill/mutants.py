"""How many small faults do the tests find? A random sample of mutants, each run against the tests near it.

The operators are those of cosmic-ray; pytest-cov measures which test runs which line. Neither is in the lock, so they
want an environment of their own:

    python3 -m venv DIR
    DIR/bin/pip install -r contrib/requirements.lock && DIR/bin/pip install cosmic-ray==8.7.0 pytest-cov==7.1.0
    DIR/bin/pip install --no-deps .
    DIR/bin/python contrib/drill/mutants.py daemon/pagereeve/domain --count 100 --seed 7 --least 95

The second installation gives the version that some tests ask for; the code that runs is a scratch copy's. A mutant
meets the tests of the mirrored folder first, then the other tests that run its line; the first that fails ends it. A
place in the code is drawn, then one of its mutants. Not drawn: annotations and decorators (the type checker's part),
`is` for `==` and the reverse (the same for most values), and what can't be imported (any test finds that). Exit status:
0 if at least the wanted share was found, else 1.
"""

import argparse
import ast
import difflib
import json
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names
from coverage import CoverageData

ROOT = Path(__file__).resolve().parents[2]
SOURCE = Path("daemon/pagereeve")
RUN_MAX_S = 900
MEMORY_MAX_BYTES = 4 << 30
NEAR_MAX_S, OTHER_MAX_S = 30, 120
IDENTITY = {"Is", "IsNot"}


@dataclass(frozen=True)
class Mutant:
    path: str
    line: int
    operator: str
    occurrence: int


def wanted(operator: str) -> bool:
    name = operator.partition("/")[2]
    if name.startswith("ReplaceComparisonOperator_"):
        before, after = name.split("_")[1:]
        return (before in IDENTITY) == (after in IDENTITY)
    return not name.startswith(("Variable", "RemoveDecorator"))


def passed_over(source: str) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Where annotations and decorators begin and end, as (line, column)."""
    parts: list[ast.expr | None] = []
    for node in ast.walk(ast.parse(source)):
        parts += [
            getattr(node, "annotation", None),
            getattr(node, "returns", None),
            *getattr(node, "decorator_list", []),
        ]
    return [((one.lineno, one.col_offset), (one.end_lineno or 0, one.end_col_offset or 0)) for one in parts if one]


def mutants_of(path: Path) -> dict[tuple[int, int], list[Mutant]]:
    """Every mutant of a file, by the place (line, column) that it changes."""
    source = (ROOT / path).read_text()
    over, nodes, places = passed_over(source), list(ast_nodes(get_ast(source))), defaultdict(list)
    for name in filter(wanted, operator_names()):
        operator = get_operator(name)()
        positions = [position for node in nodes for position in operator.mutation_positions(node)]
        for occurrence, (place, _end) in enumerate(positions):
            if not any(begin <= place < end for begin, end in over):
                places[place].append(Mutant(str(path), place[0], name, occurrence))
    return dict(places)


def drawn(folders: list[Path], seed: int) -> Iterator[Mutant]:
    """One mutant of each place, in the seed's order."""
    files = [one for path in folders for one in ([path] if path.is_file() else path.rglob("*.py"))]
    places = [place for path in sorted(set(files)) for _where, place in sorted(mutants_of(path).items())]
    chance = random.Random(seed)
    chance.shuffle(places)
    return (chance.choice(place) for place in places)


class Trial:
    """A scratch copy of the checkout, in which one mutant at a time meets the tests."""

    def __init__(self, folders: list[Path], tests: list[str]) -> None:
        self.tree, self.tests, self.nth = Path(tempfile.mkdtemp(prefix="mutants-")).resolve(), tests, 0
        listed = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
        for name in subprocess.run(listed, cwd=ROOT, check=True, capture_output=True, text=True).stdout.split("\0"):
            if name and (ROOT / name).is_file():
                (self.tree / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(ROOT / name, self.tree / name)
        self.run_by: dict[tuple[str, int], set[str]] = defaultdict(set)
        self.of_module: dict[str, set[str]] = defaultdict(set)
        self._measure(folders)

    def python(self, *arguments: str) -> int | None:
        """The exit status; None if it had to be ended."""
        with (self.tree / "output.txt").open("wb") as output:
            child = subprocess.Popen(
                [sys.executable, *arguments], cwd=self.tree, env=os.environ | {"PYTHONPATH": str(self.tree / "daemon")},
                stdin=subprocess.DEVNULL, stdout=output, stderr=output, start_new_session=True,
            )  # fmt: skip
            resource.prlimit(child.pid, resource.RLIMIT_AS, (MEMORY_MAX_BYTES, MEMORY_MAX_BYTES))
            try:
                return child.wait(RUN_MAX_S)
            except subprocess.TimeoutExpired:
                os.killpg(child.pid, signal.SIGKILL)
                child.wait()
                return None

    def pytest(self, *arguments: str) -> int | None:
        return self.python("-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--hypothesis-seed=1", *arguments)

    def _measure(self, folders: list[Path]) -> None:
        """Which tests run which lines; and that all of them pass while nothing is wrong."""
        sources = {f"--cov={folder if folder.is_dir() else folder.parent}" for folder in folders}
        status = self.pytest("--cov-report=", "--cov-context=test", *sorted(sources), *self.tests)
        if status != 0:
            sys.exit(f"the tests fail before any mutant (status {status}):\n{(self.tree / 'output.txt').read_text()}")
        data = CoverageData(str(self.tree / ".coverage"))
        data.read()
        for path in data.measured_files():
            module = str(Path(path).relative_to(self.tree))
            for line, contexts in data.contexts_by_lineno(path).items():
                names = {context.partition("|")[0].partition("[")[0] for context in contexts if context}
                self.run_by[module, line] = names
                self.of_module[module] |= names

    def stages(self, mutant: Mutant) -> Iterator[list[str]]:
        """Tests to run, nearest first. A line that runs at import is no single test's: then all that run its module."""
        near = Path("tests/unit") / Path(mutant.path).parent.relative_to(SOURCE)
        while not (self.tree / near).is_dir():
            near = near.parent
        yield [str(near)]
        names = self.run_by[mutant.path, mutant.line] or self.of_module[mutant.path]
        for folder in self.tests:
            some = [name for name in names if name.startswith(folder) and not name.startswith(f"{near}/")]
            yield sorted(some) if names else [folder]

    def outcome(self, mutant: Mutant) -> tuple[str, str]:
        """What became of it ("killed", "survived", "timeout", "no mutant"), and its diff."""
        path, before = self.tree / mutant.path, (ROOT / mutant.path).read_text()
        after = mutate_code(before, get_operator(mutant.operator)(), mutant.occurrence)
        lines = difflib.unified_diff(before.splitlines(), after.splitlines(), lineterm="", n=0)
        diff = "\n".join(f"    {line}" for line in list(lines)[3:])
        module = ".".join(Path(mutant.path).relative_to(SOURCE.parent).with_suffix("").parts)
        path.write_text(after)
        # Compiled files are told apart by size and whole seconds of their source: no two mutants share a second.
        self.nth += 1
        os.utime(path, (self.nth, self.nth))
        try:
            if self.python("-c", f"import {module}") != 0:
                return "no mutant", diff
            for number, stage in enumerate(filter(None, self.stages(mutant))):
                (self.tree / "stage.txt").write_text("\n".join(stage))
                status = self.pytest(f"--timeout={OTHER_MAX_S if number else NEAR_MAX_S}", "@stage.txt")
                if status not in {0, 5}:
                    return ("timeout" if status is None else "killed"), diff
            return "survived", diff
        finally:
            path.write_text(before)


def main() -> int:
    parser = argparse.ArgumentParser(description="Counts random mutants that the tests find.")
    parser.add_argument("folders", nargs="+", type=Path, help="folders or files, from the checkout's root")
    parser.add_argument("--count", type=int, default=100, help="how many mutants (default %(default)s)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--least", type=float, default=0.0, help="wanted share of mutants found, in percent")
    parser.add_argument("--tests", nargs="+", default=["tests/unit", "tests/property"])
    parser.add_argument("--report", type=Path, help="add a JSON line for each mutant to this file")
    parser.add_argument("--again", type=Path, help="what survived in this report, instead of a sample")
    asked = parser.parse_args()
    os.chdir(ROOT)
    sample = drawn(asked.folders, asked.seed)
    if asked.again:
        rows = [json.loads(line) for line in asked.again.read_text().splitlines()]
        sample = iter([Mutant(**row["mutant"]) for row in rows if row["outcome"] == "survived"])
    trial, counts = Trial(asked.folders, asked.tests), Counter[str]()
    for mutant in sample:
        began = time.monotonic()
        outcome, diff = trial.outcome(mutant)
        counts[outcome] += 1
        print(f"{outcome} {mutant.path}:{mutant.line} {time.monotonic() - began:.1f} s\n{diff}", flush=True)
        if asked.report:
            with asked.report.open("a") as report:
                report.write(json.dumps({"mutant": asdict(mutant), "outcome": outcome, "diff": diff}) + "\n")
        if counts.total() - counts["no mutant"] == asked.count:
            break
    shutil.rmtree(trial.tree)
    tried, found = counts.total() - counts["no mutant"], counts["killed"] + counts["timeout"]
    share = 100 * found / max(tried, 1)
    print(f"seed {asked.seed}: {found} of {tried} mutants found ({share:.1f} %); {dict(counts)}")
    return 0 if tried and share >= asked.least else 1


if __name__ == "__main__":
    sys.exit(main())
