"""contrib/bench/all: what a benchmark came to is printed, collected, and judged by its target."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

BENCHES = Path(__file__).parents[3] / "contrib" / "bench"
sys.path.append(str(BENCHES))

import everything  # noqa: E402
import figures  # noqa: E402
from figures import Figure  # noqa: E402

LOW = Figure("speed", 9.9, "theirs", at_least=10.0)
HIGH = Figure("stall", 10.1, unit="ms", at_most=10.0)
GOOD = Figure("speed", 10.0, "theirs", at_least=10.0)
TOLD = Figure("rows", 25.0, unit="")


def test_every_benchmark_runs_by_its_name_and_each_one_is_run() -> None:
    named = {run.name for run in everything.RUNS}
    reporting = {one.stem for one in BENCHES.glob("*.py") if "__main__" in one.read_text(encoding="utf-8")}
    assert named <= reporting
    silent = [name for name in named if "return report(" not in (BENCHES / f"{name}.py").read_text(encoding="utf-8")]
    assert [name for name in silent if "run_both(" not in (BENCHES / f"{name}.py").read_text(encoding="utf-8")] == []
    assert reporting - named == {"bias", "everything", "page_through", "proven"}


@pytest.mark.parametrize(("figure", "kept"), [(LOW, False), (HIGH, False), (GOOD, True), (TOLD, True)])
def test_a_target_is_kept_or_missed(figure: Figure, kept: bool) -> None:
    assert figure.kept is kept
    assert ("MISSED" in str(figure)) is not kept


def test_figures_come_back_as_they_were_reported(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = tmp_path / "figures"
    monkeypatch.setenv(figures.FILE_VARIABLE, str(kept))
    assert figures.report([GOOD, TOLD]) == 0
    assert figures.report([LOW]) == 1
    assert figures.read_back(kept) == [GOOD, TOLD, LOW]


def test_a_benchmark_that_fails_says_so_and_gives_the_figures_that_it_had(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(everything, "HERE", tmp_path)
    script = (
        f"import sys; sys.path.append({str(BENCHES)!r}); import figures; figures.report([figures.Figure('a', 1.0)])"
    )
    (tmp_path / "broken.py").write_text(f"{script}\nraise SystemExit('no such disk')", encoding="utf-8")
    came = everything.run_one(everything.Run("broken"), tmp_path, quick=False)
    assert (came.status, came.figures) == (1, [Figure("a", 1.0)])
    assert any(line.startswith("FAILED  exit status 1") for line in everything.shown(came))
    assert "no such disk" in (tmp_path / "broken.txt").read_text(encoding="utf-8")
