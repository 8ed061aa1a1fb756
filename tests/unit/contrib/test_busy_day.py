"""The simulated day of contrib/bench/proven.py: its truth is conserved, and it counts what it says."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.findings.finding import Kind, make
from pagereeve.domain.ledger import Charge, Grade, ReleaseKey, Verdict
from pagereeve.domain.projection.projector import Ledger
from tests.findings import said

sys.path.insert(0, str(Path(__file__).parents[3] / "contrib" / "bench"))

import busy_day
import proven

SHORT = busy_day.Day(seed=3, every_s=40, hours=0.2, copies=0.2, odd=0.2)


@pytest.fixture(scope="module")
def outcome() -> busy_day.Outcome:
    return busy_day.run(SHORT)


def test_every_page_of_the_truth_is_in_the_ledger(outcome: busy_day.Outcome) -> None:
    """``run`` itself fails where marked, moved and posted pages differ; here beside what jobs and copies asked for."""
    copies = sum(pages for _, pages in busy_day.copies_of(SHORT))
    wanted = {job.name: job.printed for job in outcome.jobs if job.printed}
    assert outcome.printed == wanted
    assert outcome.copied == copies > 0
    assert outcome.moved == sum(wanted.values()) + copies


def test_the_day_has_what_it_was_asked_for(outcome: busy_day.Outcome) -> None:
    figures = outcome.figures
    assert figures.releases == len(outcome.jobs) >= 10
    assert figures.odd == sum(job.is_odd for job in outcome.jobs) > 0
    assert figures.reads > 3 * figures.releases
    assert figures.claimed_pages == sum(job.claimed for job in outcome.jobs)


def test_the_same_day_comes_out_the_same(outcome: busy_day.Outcome) -> None:
    again = busy_day.run(SHORT)
    assert (again.figures, again.ledger) == (outcome.figures, outcome.ledger)


def test_a_quiet_day_without_copies_is_proven_whole() -> None:
    figures = busy_day.run(busy_day.Day(seed=1, every_s=400, hours=0.5, copies=0, odd=0)).figures
    assert figures.alone == figures.releases > 0
    assert (figures.off, figures.innocents, figures.overcharged, figures.uncharged_pages) == (0, 0, 0, 0)


def test_a_server_that_waits_for_rest_has_more_of_its_releases_alone(outcome: busy_day.Outcome) -> None:
    waiting = busy_day.run(replace(SHORT, rest_s=30)).figures
    assert waiting.waited_s > 0
    assert waiting.alone >= outcome.figures.alone


def charge(name: str, verdict: Verdict, charged: int, grade: Grade = Grade.TIGHT) -> Charge:
    key = ReleaseKey("/s", name)
    return Charge("p", key, "o", "j", "total", Unit.IMPRESSIONS, 0, 0, 0, 0, 0, charged, 0, None, grade, verdict)


def test_it_counts_what_it_says() -> None:
    jobs = [
        busy_day.Job(0, "right", 5, 5, 1),
        busy_day.Job(1, "blamed", 4, 4, 1),
        busy_day.Job(2, "hidden", 3, 4, 1),
        busy_day.Job(3, "found", 6, 2, 1),
    ]
    charges = [
        charge("right", Verdict.AGREES, 5),
        charge("blamed", Verdict.SHORTFALL, 1, Grade.INFERRED),
        charge("hidden", Verdict.AGREES, 3, Grade.SHARED),
        charge("found", Verdict.SHORTFALL, 5, Grade.SHARED),
    ]
    told: list[tuple[Kind, list[str]]] = [
        ("shortfall", ["blamed"]),
        ("surplus", ["found"]),
        ("shortfall", ["found", "right"]),
        ("stray-pages", []),
    ]
    findings = [
        make(kind, "p", (nth,), 0, said("text"), (), releases=[ReleaseKey("/s", name) for name in names])
        for nth, (kind, names) in enumerate(told)
    ]
    figures = busy_day.judged(jobs, Ledger(charges=charges, findings=findings))
    assert figures == busy_day.Figures(
        releases=4,
        odd=2,
        alone=2,
        off=2,
        innocents=1,
        named=1,
        hidden=1,
        overcharged=1,
        overcharged_pages=3,
        uncharged_pages=3,
        claimed_pages=18,
    )
    assert proven.summed([figures, figures]).overcharged_pages == 6


def test_a_release_that_the_ledger_lacks_is_an_error() -> None:
    with pytest.raises(AssertionError, match="1 charges for 2 releases"):
        busy_day.judged(
            [busy_day.Job(0, "a", 1, 1, 1), busy_day.Job(1, "b", 1, 1, 1)],
            Ledger(charges=[charge("a", Verdict.AGREES, 1)]),
        )


def test_the_table_has_a_column_for_each_figure(outcome: busy_day.Outcome) -> None:
    head, row = proven.table([("  40 s     -      none", outcome.figures)])
    assert len(head) == len(row)
    assert f" {outcome.figures.releases} " in row
