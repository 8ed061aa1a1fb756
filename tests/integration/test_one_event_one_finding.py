"""One event at a printer is one finding: pages copied one after the other, read while they come out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.reading import PrinterState
from tests.histories import PRINTER, SIMPLE, ended, failed, policy, reading, started
from tests.projecting import Project, kinds, projecting


@pytest.fixture
def project(tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> Project:
    return projecting(tmp_path, capsysbinary)


def copied(second: float, first: int, pages: int, every_s: float) -> list[Fact]:
    """A page each so many seconds, and an answer for each; the last level is left to whoever goes on."""
    steps = range(1, pages)
    at = (second + every_s * step for step in steps)
    return [reading(one, one, first + step, PrinterState.PRINTING) for one, step in zip(at, steps, strict=True)]


def test_a_copy_job_read_while_it_comes_out_is_one_gap(project: Project) -> None:
    facts = [policy(), reading(-1800, -2, 1000, count=4), *copied(0, 1000, 8, 1.5), reading(12, 600, 1008, count=9)]
    body = project(facts)["printers"][PRINTER]
    (found,) = body["findings"]
    assert (found["kind"], found["pages"]) == ("stray-pages", 8)
    (stretch,) = body["stretches"]
    assert (stretch["before"], stretch["after"], stretch["counted"]) == (1000, 1008, 8)
    assert all(line["ok"] for line in body["conservation"])


def cut_off(*after: Fact) -> list[Fact]:
    """Ten pages asked for, four counted when the power fails; the count comes back three lower."""
    ticket = replace(SIMPLE, pages=10)
    facts: list[Fact] = [policy(), reading(-1800, -2, 1000, count=4), started("r-1", 0, "anise", ticket)]
    facts += [reading(4, 4, 1004, PrinterState.PRINTING), failed(10, 40, 4), ended("r-1", 55), reading(60, 80, 1001)]
    return [*facts, *after]


def test_pages_after_a_power_cut_are_not_claimed_and_stray_as_well(project: Project) -> None:
    rest = [*copied(80, 1001, 6, 1.5), reading(91, 900, 1007, count=9)]
    whole = project(cut_off(*rest))
    assert kinds(whole, PRINTER) == ["meter-silent", "meter-went-back", "unproven-release"]
    body = whole["printers"][PRINTER]
    (charge,) = body["charges"]
    assert (charge["charged"], charge["unproven"], charge["grade"]) == (0, 10, "broken")
    legs = [leg for posting in body["postings"] for leg in posting["legs"]]
    assert {leg["account"] for leg in legs} == {f"meter:{PRINTER}", "house:unattributed"}
    assert all(line["ok"] for line in body["conservation"])


@pytest.mark.parametrize(("second", "pages"), [(300, 6), (80, 30)], ids=["too late", "too many"])
def test_pages_that_can_not_be_the_releases_are_stray(project: Project, second: float, pages: int) -> None:
    facts = cut_off(reading(100, second, 1001), reading(second + 90, second + 900, 1001 + pages, count=9))
    found = project(facts)["printers"][PRINTER]["findings"]
    assert [one["pages"] for one in found if one["kind"] == "stray-pages"] == [pages]


def test_two_copy_jobs_with_a_rest_between_are_two(project: Project) -> None:
    facts = [
        policy(),
        reading(-1800, -2, 1000, count=4),
        reading(1, 40, 1003, count=4),
        reading(41, 600, 1004, count=9),
    ]
    assert [one["pages"] for one in project(facts)["printers"][PRINTER]["findings"]] == [3, 1]


def test_answers_far_apart_show_no_movement_that_went_on(project: Project) -> None:
    facts = [policy(), reading(-1800, -2, 1000, count=4), *(reading(900 * n, 900 * n, 1000 + n) for n in range(1, 5))]
    assert [one["pages"] for one in project(facts)["printers"][PRINTER]["findings"]] == [1, 1, 1, 1]


def test_what_stood_before_a_release_is_still_a_cut(project: Project) -> None:
    """The copies before it are not the release's, though the meter had hardly come to rest."""
    facts = [policy(), reading(-1800, -30, 1000, count=4), *copied(-10, 1000, 4, 2), reading(-2, -1, 1004)]
    facts += [started("r-1", 0, "anise", SIMPLE), ended("r-1", 6), reading(9, 600, 1009, count=9)]
    body = project(facts)
    assert kinds(body, PRINTER) == ["stray-pages"]
    assert body["printers"][PRINTER]["findings"][0]["pages"] == 4
    assert body["printers"][PRINTER]["charges"][0]["verdict"] == "agrees"
