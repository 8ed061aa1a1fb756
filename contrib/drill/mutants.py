"""How many small faults put into the code do the tests find? A random sample of mutants, each run against the tests near it.

Operators and mutation are those of cosmic-ray; which test runs which line is measured by pytest-cov. Both stay out of the
lock. They want an environment of their own:

    python3 -m venv DIR
    DIR/bin/pip install -r contrib/requirements.lock cosmic-ray==8.7.0 pytest-cov==7.1.0
    DIR/bin/python contrib/drill/mutants.py daemon/pagereeve/domain --count 100 --seed 7 --least 95

Everything runs in a scratch copy of this checkout. A mutant meets the tests of the mirrored folder under tests/unit first,
then the other tests that run its line, and the first that fails ends it. A random place in the code is drawn first, then one
of its mutants. Not drawn: annotations and decorators (the type checker's part), `is` for `==` and the reverse (the same thing
for most values), and what does not even import (any test finds that).

Exit status: 0 if at least the wanted share was found, else 1.
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
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names
from coverage import CoverageData

ROOT = Path(__file__).resolve().parents[2]
SOURCE = Path("daemon/pagereeve")
PATIENCE_S = 900
MEMORY_BYTES = 4 << 30
IDENTITY = {"Is", "IsNot"}


@dataclass(frozen=True)
class Mutant:
    path: str
    line: int
    operator: str
    occurrence: int


def wanted(operator: str) -> bool:
    """Whether mutants of this operator say something about tests; see the module's first lines."""
    name = operator.partition("/")[2]
    if name.startswith("ReplaceComparisonOperator_"):
        before, after = name.split("_")[1:]
        return (before in IDENTITY) == (after in IDENTITY)
    return not name.startswith(("Variable", "RemoveDecorator"))


def passed_over(source: str) -> set[int]:
    """Offsets of lines and columns inside annotations and decorators, as line * 1000 + column."""
    spots: set[int] = set()
    for node in ast.walk(ast.parse(source)):
        parts = [getattr(node, name, None) for name in ("annotation", "returns")] + getattr(node, "decorator_list", [])
        for part in filter(None, parts):
            end = part.end_lineno * 1000 + part.end_col_offset
            spots.update(range(part.lineno * 1000 + part.col_offset, end))
    return spots


def mutants_of(path: Path) -> dict[tuple[int, int], list[Mutant]]:
    """Every mutant of a file, by the place (line, column) that it changes."""
    source = (ROOT / path).read_text()
    over, nodes, places = passed_over(source), list(ast_nodes(get_ast(source))), defaultdict(list)
    for name in filter(wanted, operator_names()):
        operator = get_operator(name)()
        positions = [position for node in nodes for position in operator.mutation_positions(node)]
        for occurrence, ((line, column), _end) in enumerate(positions):
            if line * 1000 + column not in over:
                places[line, column].append(Mutant(str(path), line, name, occurrence))
    return dict(places)


def drawn(folders: list[Path], seed: int) -> Iterator[Mutant]:
    """One mutant of each place, in the seed's order."""
    paths = sorted({path.relative_to(ROOT) for folder in folders for path in python_files(ROOT / folder)})
    places = [place for path in paths for _where, place in sorted(mutants_of(path).items())]
    chance = random.Random(seed)
    chance.shuffle(places)
    return (chance.choice(place) for place in places)


def python_files(path: Path) -> list[Path]:
    return [path] if path.is_file() else sorted(path.rglob("*.py"))


class Trial:
    """A scratch copy of the checkout, in which one mutant at a time meets the tests."""

    def __init__(self, folders: list[Path], tests: list[str]) -> None:
        self.tree = Path(tempfile.mkdtemp(prefix="mutants-"))
        listed = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
        for name in subprocess.run(listed, cwd=ROOT, check=True, capture_output=True, text=True).stdout.split("\0"):
            if name and (ROOT / name).is_file():
                (self.tree / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(ROOT / name, self.tree / name)
        self.tests = tests
        self.run_by: dict[tuple[str, int], set[str]] = defaultdict(set)
        self._measure(folders)

    def python(self, *arguments: str) -> int | None:
        """The exit status; None if it had to be ended."""
        environment = {**os.environ, "PYTHONPATH": str(self.tree / "daemon"), "PYTHONDONTWRITEBYTECODE": "1"}
        with (self.tree / "output.txt").open("wb") as output:
            child = subprocess.Popen(
                [sys.executable, *arguments], cwd=self.tree, env=environment, stdin=subprocess.DEVNULL,
                stdout=output, stderr=output, start_new_session=True,
                preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES)),
            )  # fmt: skip
            try:
                return child.wait(PATIENCE_S)
            except subprocess.TimeoutExpired:
                os.killpg(child.pid, signal.SIGKILL)
                child.wait()
                return None

    def pytest(self, *arguments: str) -> int | None:
        return self.python("-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "--hypothesis-seed=1", *arguments)

    def _measure(self, folders: list[Path]) -> None:
        """Which tests run which lines; and that all of them pass while nothing is wrong."""
        sources = [f"--cov={folder}" for folder in folders]
        status = self.pytest("--cov-report=", "--cov-context=test", *sources, *self.tests)
        if status != 0:
            sys.exit(f"the tests fail before any mutant (status {status}):\n{(self.tree / 'output.txt').read_text()}")
        data = CoverageData(str(self.tree / ".coverage"))
        data.read()
        for path in data.measured_files():
            for line, contexts in data.contexts_by_lineno(path).items():
                names = {context.partition("|")[0].partition("[")[0] for context in contexts if context}
                self.run_by[str(Path(path).resolve().relative_to(self.tree.resolve())), line] = names

    def stages(self, mutant: Mutant) -> Iterator[list[str]]:
        """Tests to run, nearest first. A line that runs at import belongs to no test: then the files near it."""
        near = Path("tests/unit") / Path(mutant.path).parent.relative_to(SOURCE)
        while not (self.tree / near).is_dir():
            near = near.parent
        others = {name for name in self.run_by[mutant.path, mutant.line] if not name.startswith(f"{near}/")}
        yield [str(near)]
        for folder in self.tests:
            if some := sorted(name for name in others if name.startswith(folder)):
                yield some
        if not self.run_by[mutant.path, mutant.line]:
            yield self.tests

    def outcome(self, mutant: Mutant) -> tuple[str, str]:
        """What became of it ("killed", "survived", "timeout", "no mutant") and its diff."""
        path, before = self.tree / mutant.path, (ROOT / mutant.path).read_text()
        after = mutate_code(before, get_operator(mutant.operator)(), mutant.occurrence)
        lines = difflib.unified_diff(before.splitlines(), after.splitlines(), lineterm="", n=0)
        diff = "\n".join(f"    {line}" for line in list(lines)[3:])
        module = ".".join(Path(mutant.path).relative_to(SOURCE.parent).with_suffix("").parts)
        path.write_text(after)
        try:
            if self.python("-c", f"import {module}") != 0:
                return "no mutant", diff
            for number, stage in enumerate(self.stages(mutant)):
                (self.tree / "stage.txt").write_text("\n".join(stage))
                status = self.pytest(f"--timeout={30 if number == 0 else 120}", "@stage.txt")
                if status not in {0, 5}:
                    return ("timeout" if status is None else "killed"), diff
            return "survived", diff
        finally:
            path.write_text(before)


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Counts random mutants that the tests find.")
    parser.add_argument("folders", nargs="+", type=Path, help="folders or files below the checkout")
    parser.add_argument("--count", type=int, default=100, help="how many mutants (default %(default)s)")
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--least", type=float, default=0.0, help="wanted share of mutants found, in percent")
    parser.add_argument("--tests", nargs="+", default=["tests/unit", "tests/property"])
    parser.add_argument("--report", type=Path, help="add a JSON line for each mutant to this file")
    parser.add_argument("--again", type=Path, help="instead of a sample: what survived in this report")
    return parser.parse_args()


def main() -> int:
    asked = arguments()
    sample = drawn(asked.folders, asked.seed)
    if asked.again:
        told = [json.loads(line) for line in asked.again.read_text().splitlines()]
        sample = iter([Mutant(**row["mutant"]) for row in told if row["outcome"] == "survived"])
    trial, counts = Trial(asked.folders, asked.tests), dict.fromkeys(("killed", "survived", "timeout", "no mutant"), 0)
    try:
        for mutant in sample:
            began = time.monotonic()
            outcome, diff = trial.outcome(mutant)
            counts[outcome] += 1
            if outcome != "no mutant":
                name = mutant.operator.partition("/")[2]
                print(f"{outcome:8} {mutant.path}:{mutant.line} {name} {time.monotonic() - began:.1f} s\n{diff}", flush=True)
            if asked.report:
                with asked.report.open("a") as report:
                    report.write(json.dumps({"mutant": asdict(mutant), "outcome": outcome, "diff": diff}) + "\n")
            if counts["killed"] + counts["survived"] + counts["timeout"] == asked.count:
                break
    finally:
        shutil.rmtree(trial.tree)
    found, tried = counts["killed"] + counts["timeout"], counts["killed"] + counts["survived"] + counts["timeout"]
    share = 100 * found / max(tried, 1)
    print(f"seed {asked.seed}: {tried} mutants, {found} found ({share:.1f} %), {counts['timeout']} of them by time; {counts}")
    return 0 if tried and share >= asked.least else 1


if __name__ == "__main__":
    sys.exit(main())
