"""What takes longest is given out first."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.longest_first import LONG, LongestFirst, rank

ROOT = Path(__file__).parents[3]
CLOCKS = "tests/acceptance/test_clocks.py"
CONSOLE = "tests/acceptance/test_console.py"


def test_each_file_is_there_and_named_once() -> None:
    assert [path for path in LONG if not (ROOT / path).is_file()] == []
    assert len(set(LONG)) == len(LONG)
    acceptance = {str(path.relative_to(ROOT)) for path in (ROOT / "tests" / "acceptance").glob("test_*.py")}
    # The one that is left out runs alone.
    assert acceptance - set(LONG) == {"tests/acceptance/test_gated.py"}


def test_what_takes_longest_comes_first_and_the_others_as_they_came() -> None:
    files = ["tests/integration/test_places.py", CLOCKS, "tests/integration/test_seal.py", CONSOLE]
    assert sorted(files, key=rank) == [CONSOLE, CLOCKS, files[0], files[2]]


def test_processes_are_given_whole_files_by_it(pytestconfig: pytest.Config, monkeypatch: pytest.MonkeyPatch) -> None:
    scheduler = pytestconfig.pluginmanager.hook.pytest_xdist_make_scheduler
    for dist, wanted in (("loadfile", LongestFirst), ("load", None)):
        monkeypatch.setattr(pytestconfig.option, "dist", dist)
        monkeypatch.setattr(pytestconfig.option, "tx", ["popen", "popen"])
        made = scheduler(config=pytestconfig, log=None)
        assert isinstance(made, LongestFirst) == (wanted is LongestFirst)
