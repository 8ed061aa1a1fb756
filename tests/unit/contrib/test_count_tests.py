"""How contrib/check adds up what pytest found: nothing that could not run passes for a success."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[3] / "contrib" / "count_tests.py"
PASSED = '<testcase classname="a" name="b"/>'
OTHER = '<testcase classname="a" name="b2"/>'
FAILED = '<testcase classname="a" name="c"><failure message="x"/></testcase>'
BROKEN = '<testcase classname="a" name="d"><error message="x"/></testcase>'
SKIPPED = '<testcase classname="a" name="e"><skipped type="pytest.skip" message="x"/></testcase>'
EXPECTED = '<testcase classname="a" name="f"><skipped type="pytest.xfail" message="x"/></testcase>'


@pytest.fixture(scope="module")
def count() -> Callable[[Path], int]:
    spec = importlib.util.spec_from_file_location("count_tests", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    main: Callable[[Path], int] = module.main
    return main


@pytest.mark.parametrize(
    ("files", "code", "shown"),
    [
        ([PASSED + OTHER, PASSED], 0, "none failed\n3 passed\n"),
        ([PASSED, FAILED + PASSED], 1, "1 failed\n2 passed\n"),
        ([PASSED + BROKEN], 1, "1 error\n1 passed\n"),
        ([PASSED + SKIPPED], 1, "could not run: a::e\n1 skipped\n1 passed\n"),
        ([PASSED + EXPECTED], 0, "1 xfailed\n1 passed\n"),
        ([""], 1, "none failed\n0 passed\n"),
        ([], 1, "none failed\n0 passed\n"),
    ],
)
def test_all_files_are_added_up_and_only_passed_tests_pass(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    count: Callable[[Path], int],
    files: list[str],
    code: int,
    shown: str,
) -> None:
    for number, cases in enumerate(files):
        text = f"<testsuites><testsuite>{cases}</testsuite></testsuites>"
        (tmp_path / f"{number}.xml").write_text(text, encoding="utf-8")
    assert count(tmp_path) == code
    assert capsys.readouterr().out == shown


def test_what_passes_when_run_again_alone_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], count: Callable[[Path], int]
) -> None:
    again = FAILED.replace('<failure message="x"/>', "")
    for name, cases in (("t.xml", PASSED + FAILED + BROKEN), ("t.again.xml", again + BROKEN)):
        (tmp_path / name).write_text(f"<testsuites><testsuite>{cases}</testsuite></testsuites>", encoding="utf-8")
    assert count(tmp_path) == 1
    assert capsys.readouterr().out == "passed only when run again, alone: a::c\n1 error\n2 passed\n"
    fine = again + BROKEN.replace('<error message="x"/>', "")
    (tmp_path / "t.again.xml").write_text(f"<testsuites><testsuite>{fine}</testsuite></testsuites>", encoding="utf-8")
    assert count(tmp_path) == 0


def test_a_test_whose_end_failed_has_failed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], count: Callable[[Path], int]
) -> None:
    """pytest writes a second case of the same name then."""
    ended = PASSED.replace("/>", '><error message="x"/></testcase>')
    (tmp_path / "t.xml").write_text(f"<testsuites><testsuite>{PASSED}{ended}</testsuite></testsuites>", "utf-8")
    assert count(tmp_path) == 1
    assert capsys.readouterr().out == "1 error\n0 passed\n"
