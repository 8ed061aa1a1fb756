"""The rules of this repository that no other tool checks: sizes, limits, no swallowed exception, time and chance by
ports.
"""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
from collections.abc import Iterator
from graphlib import TopologicalSorter
from pathlib import Path

import grimp
import pytest

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "daemon" / "pagereeve"
LINES_MAX = 500
FUNCTION_LINES_MAX = 70

QUEUES = {"asyncio.Queue", "asyncio.LifoQueue", "asyncio.PriorityQueue", "queue.Queue", "queue.LifoQueue"}
WALL_CLOCK = {
    "time.time",
    "time.time_ns",
    "time.localtime",
    "time.gmtime",
    "datetime.datetime.now",
    "datetime.datetime.utcnow",
    "datetime.datetime.today",
    "datetime.date.today",
}
CHANCE = {"random.random", "random.randint", "random.randrange", "random.uniform", "random.choice", "random.shuffle"}
BROAD = {"Exception", "BaseException"}
# The machine's clock itself, the commands that people start, and what plays the world outside.
MAY_READ_THE_CLOCK = ("app/clocks.py", "cli", "simulator")
# Where files were written or fetched: none of anybody's business. Cut in two so that this file doesn't find itself.
MACHINE = re.compile("|".join(("/" + "work/", "/" + "root/", "/tmp/" + "venv", "pypi" + r"\.org", "python" + "hosted")))


def sources(*folders: Path) -> list[Path]:
    return sorted(path for folder in folders for path in folder.rglob("*.py"))


def short(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def nodes(path: Path) -> Iterator[ast.AST]:
    return ast.walk(ast.parse(path.read_text(encoding="utf-8"), filename=str(path)))


class Names:
    """The dotted names that a module's expressions stand for, by its imports."""

    def __init__(self, tree: list[ast.AST]) -> None:
        self._meaning: dict[str, str] = {}
        for node in tree:
            if isinstance(node, ast.Import):
                for alias in node.names:
                    self._meaning[alias.asname or alias.name] = alias.name
            elif isinstance(node, ast.ImportFrom):
                for alias in node.names:
                    self._meaning[alias.asname or alias.name] = f"{node.module}.{alias.name}"

    def of(self, node: ast.expr | None) -> str:
        if isinstance(node, ast.Attribute):
            return f"{self.of(node.value)}.{node.attr}"
        if isinstance(node, ast.Subscript):
            return self.of(node.value)
        return self._meaning.get(node.id, node.id) if isinstance(node, ast.Name) else ""


def unbounded_queues(tree: list[ast.AST]) -> list[int]:
    """Lines that make a queue without a limit."""
    names = Names(tree)
    return [
        node.lineno
        for node in tree
        if isinstance(node, ast.Call) and names.of(node.func) in QUEUES and not _limited(node)
    ]


def _limited(call: ast.Call) -> bool:
    limits = [*call.args[:1], *(keyword.value for keyword in call.keywords if keyword.arg == "maxsize")]
    constants = [limit.value for limit in limits if isinstance(limit, ast.Constant)]
    negative = any(isinstance(limit, ast.UnaryOp) for limit in limits)
    return bool(limits) and not negative and all(isinstance(value, int) and value > 0 for value in constants)


def swallowed(tree: list[ast.AST]) -> list[int]:
    """Lines where any exception at all vanishes."""
    names = Names(tree)
    found = []
    for node in tree:
        if isinstance(node, ast.ExceptHandler) and _broad(node.type, names) and all(map(_idle, node.body)):
            found.append(node.lineno)
        if isinstance(node, ast.Call) and names.of(node.func) == "contextlib.suppress":
            found += [node.lineno for kind in node.args if _broad(kind, names)]
    return found


def _broad(kind: ast.expr | None, names: Names) -> bool:
    kinds = kind.elts if isinstance(kind, ast.Tuple) else [kind]
    return any(kind is None or names.of(kind) in BROAD for kind in kinds)


def _idle(statement: ast.stmt) -> bool:
    empty_return = isinstance(statement, ast.Return) and statement.value is None
    constant = isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant)
    return isinstance(statement, ast.Pass | ast.Continue | ast.Break) or empty_return or constant


def calls_of(tree: list[ast.AST], wanted: set[str]) -> list[int]:
    names = Names(tree)
    return [node.lineno for node in tree if isinstance(node, ast.Call) and names.of(node.func) in wanted]


def tracked_files() -> list[Path]:
    if shutil.which("git") is not None:
        listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False)
        if listed.returncode == 0:
            return [ROOT / name for name in listed.stdout.decode().split("\0") if name]
    # An unpacked archive has no repository; what lies in a dotted folder is a tool's, but for the checks' own.
    return [path for path in ROOT.rglob("*") if not any(map(_made, path.relative_to(ROOT).parts))]


def _made(part: str) -> bool:
    return part in {"__pycache__", "var", "dist"} or (part.startswith(".") and part not in {".ci", ".gitignore"})


def test_no_module_is_longer_than_500_lines() -> None:
    long = {short(path): n for path in sources(PACKAGE, ROOT / "tests") if (n := _line_count(path)) > LINES_MAX}
    assert long == {}


def _line_count(path: Path) -> int:
    return len(path.read_text(encoding="utf-8").splitlines())


def test_no_function_is_longer_than_70_lines() -> None:
    long = [
        f"{short(path)}:{node.lineno} {node.name}"
        for path in sources(PACKAGE, ROOT / "tests")
        for node in nodes(path)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and (node.end_lineno or node.lineno) - node.lineno + 1 > FUNCTION_LINES_MAX
    ]
    assert long == []


def test_every_queue_has_a_limit() -> None:
    found = [f"{short(path)}:{line}" for path in sources(PACKAGE) for line in unbounded_queues(list(nodes(path)))]
    assert found == []


def test_no_exception_is_swallowed() -> None:
    found = [f"{short(path)}:{line}" for path in sources(PACKAGE) for line in swallowed(list(nodes(path)))]
    assert found == []


def test_time_and_chance_come_through_ports() -> None:
    found = [
        f"{short(path)}:{line}"
        for path in sources(PACKAGE)
        if not path.relative_to(PACKAGE).as_posix().startswith(MAY_READ_THE_CLOCK)
        for line in calls_of(list(nodes(path)), WALL_CLOCK | CHANCE)
    ]
    assert found == []


def test_no_tracked_file_names_a_path_of_one_machine() -> None:
    found = []
    for path in tracked_files():
        if not path.is_file():
            continue
        text = path.read_bytes().decode("utf-8", errors="replace")
        found += [f"{short(path)}: {match[0]}" for match in MACHINE.finditer(text)]
    assert found == []


@pytest.mark.parametrize(
    ("code", "lines"),
    [
        ("import asyncio\nasyncio.Queue()", [2]),
        ("import asyncio as a\nx: a.Queue[int] = a.Queue[int](maxsize=0)", [2]),
        ("from asyncio import Queue as Q\nQ(0)", [2]),
        ("import asyncio\nasyncio.Queue(maxsize=-1)", [2]),
        ("import asyncio\nasyncio.Queue(maxsize=3)\nasyncio.Queue(limit)\nOther.Queue()", []),
    ],
)
def test_the_search_for_unbounded_queues_finds_them(code: str, lines: list[int]) -> None:
    assert unbounded_queues(list(ast.walk(ast.parse(code)))) == lines


@pytest.mark.parametrize(
    ("code", "count"),
    [
        ("try:\n    f()\nexcept Exception:\n    pass", 1),
        ("try:\n    f()\nexcept:\n    ...", 1),
        ("for x in y:\n    try:\n        f()\n    except (OSError, BaseException):\n        continue", 1),
        ("import contextlib\nwith contextlib.suppress(Exception):\n    f()", 1),
        ("def g():\n    try:\n        f()\n    except Exception:\n        return", 1),
        ("try:\n    f()\nexcept Exception:\n    count()", 0),
        ("try:\n    f()\nexcept OSError:\n    pass", 0),
        ("import contextlib\nwith contextlib.suppress(KeyError):\n    f()", 0),
    ],
)
def test_the_search_for_swallowed_exceptions_finds_them(code: str, count: int) -> None:
    assert len(swallowed(list(ast.walk(ast.parse(code))))) == count


@pytest.mark.parametrize(
    ("code", "count"),
    [
        ("import time\ntime.time()", 1),
        ("from time import time as now\nnow()", 1),
        ("from datetime import datetime\ndatetime.now(UTC)", 1),
        ("import datetime as d\nd.datetime.utcnow()", 1),
        ("import random\nrandom.choice(x)", 1),
        ("import random, time\nrandom.Random(7).choice(x)\ntime.monotonic()\nclock.now_us()", 0),
    ],
)
def test_the_search_for_wall_clocks_finds_them(code: str, count: int) -> None:
    assert len(calls_of(list(ast.walk(ast.parse(code))), WALL_CLOCK | CHANCE)) == count


@pytest.mark.parametrize("text", ["/" + "work/main", "/" + "root/x", "https://" + "pypi" + ".org/simple"])
def test_the_search_for_machine_paths_finds_them(text: str) -> None:
    assert MACHINE.search(f"see {text}")
    assert not MACHINE.search("networks/work in /var/lib, /worker, /rooted, chroot")


def test_no_two_modules_import_one_another() -> None:
    """Not in a longer circle either, and wherever in a module the import stands."""
    graph = grimp.build_graph("pagereeve")
    order = TopologicalSorter({one: graph.find_modules_directly_imported_by(one) for one in graph.modules})
    order.prepare()
