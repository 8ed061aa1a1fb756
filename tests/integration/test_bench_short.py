"""Benchmarks in a short form, with wide limits that a busy machine does not reach; the exact ones are theirs."""

from __future__ import annotations

import importlib.util
import sys
from contextlib import aclosing
from pathlib import Path
from types import ModuleType

import pytest

pytestmark = pytest.mark.alone

BENCHES = Path(__file__).parents[2] / "contrib" / "bench"
SLACK = 4.0


def bench(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"bench_{name}", BENCHES / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    # What benchmarks have in common stands beside them; dataclasses look up their module by name.
    if str(BENCHES) not in sys.path:
        sys.path.append(str(BENCHES))
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def journal_commit() -> ModuleType:
    return bench("journal_commit")


async def test_group_commit_keeps_its_distance_from_single_rows(journal_commit: ModuleType, tmp_path: Path) -> None:
    # Short turns and several of them: from one to the next such a machine takes half as long again, or half as much.
    measuring = journal_commit.Bench(tmp_path, seconds=0.1, history=20_000)
    figures = await journal_commit.measure(measuring, rounds=7)
    missed = [
        (what, ratio, limit)
        for what, ratio, limit in journal_commit.ratios(figures)
        if not journal_commit.kept(ratio, limit, SLACK)
    ]
    assert missed == []
    assert len(list(journal_commit.ratios(figures))) == 3


async def test_commits_go_on_beside_a_backup(tmp_path: Path) -> None:
    backup = bench("backup")
    figures = await backup.measure(tmp_path, facts=3_000, rounds=1, alone_s=0.5)
    assert len(figures.beside) > 10
    assert figures.ratio <= backup.MEDIAN_AT_MOST * SLACK
    assert figures.backups[0]["facts"] >= 3_000
    assert "facts a second" in "\n".join(backup.shown(figures))


async def test_gated_notices_have_their_readings_beside_a_program_that_pages_through_everything(tmp_path: Path) -> None:
    questions = bench("questions")
    assert await questions.make(tmp_path, questions.size_of(printers=2, releases=60)) > 30
    ratios = []
    async with aclosing(questions.notices_beside_pages(tmp_path, seconds=0.6, turns=4)) as turns:
        async for seen in turns:
            assert seen.pages > 1
            ratios.append(round(seen.ratio, 1))
            if seen.ratio <= SLACK:
                break
    assert min(ratios) <= SLACK, ratios


@pytest.mark.parametrize(("ratio", "limit", "good"), [(8.0, 8.0, True), (7.9, 8.0, False), (3.1, -3.0, False)])
def test_a_missed_target_is_told(journal_commit: ModuleType, ratio: float, limit: float, good: bool) -> None:
    assert journal_commit.kept(ratio, limit) is good
    assert journal_commit.kept(ratio, limit, SLACK)
