"""One person's login in several spellings: one person in totals, ledger, lists and the check of badges."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from pagereeve.cli import status_of
from pagereeve.domain.facts.facts import Bound, Fact, ReleaseStarted
from tests.histories import ONE_RELEASE, SIMPLE, assigned, ended, origin, policy, reading, started
from tests.projecting import Project, kinds, projecting

BADGE = "b-0123456789abcdef0123456789abcdef"
COMPOSED, DECOMPOSED = "J\u00fcrgen", "ju\u0308rgen"


@pytest.fixture
def project(tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> Project:
    return projecting(tmp_path, capsysbinary)


def three(*owners: str) -> list[Fact]:
    """Five pages for each, one after the other."""
    facts: list[Fact] = [policy(), reading(-1800, -2, 1000, count=4)]
    for place, owner in enumerate(owners):
        second = 100 * place
        facts += [started(f"r-{place}", second, owner, SIMPLE), ended(f"r-{place}", second + 6)]
        facts.append(reading(second + 9, second + 60, 1005 + 5 * place, count=9))
    return facts


@pytest.mark.parametrize("names", [("Anise", "anise", " ANISE "), (COMPOSED, DECOMPOSED), ("STRASSE", "stra\u00dfe")])
def test_all_spellings_are_one_line_under_the_first_one(project: Project, names: tuple[str, ...]) -> None:
    totals = project(three(*names))["totals"]["totals"]
    assert [(one["person"], one["charged"], one["also_written"]) for one in totals] == [
        (names[0], 5 * len(names), sorted(names[1:]))
    ]
    said = project(three(*names), text=True)
    assert said.count("is one person, also written") == 1


def test_letters_that_merely_look_alike_are_two_people(project: Project) -> None:
    totals = project(three("anise", "\u0430nise"))["totals"]["totals"]
    assert [one["charged"] for one in totals] == [5, 5]


def test_a_cost_centre_holds_for_every_spelling(project: Project) -> None:
    facts = [*three("Anise", "anise"), assigned("ANISE", "00042", 0)]
    totals = project(facts, "--by", "cost-centre")["totals"]["totals"]
    assert [(one["cost_centre"], one["charged"]) for one in totals] == [("00042", 10)]


@pytest.mark.parametrize(("owner", "found"), [("ANISE", []), ("basil", ["badge-owner-differs"])])
def test_a_badge_is_its_owners_in_every_spelling(project: Project, owner: str, found: list[str]) -> None:
    assert kinds(project([*ONE_RELEASE, Bound(0, BADGE, owner, 0)])) == found


def test_the_same_notice_in_another_spelling_is_an_echo(project: Project) -> None:
    first = started("r-1001", 1, "ANISE", SIMPLE, badge=BADGE)
    assert isinstance(first, ReleaseStarted)
    again = replace(first, origin=origin("another-id", 1))
    (found,) = project([*ONE_RELEASE, again])["printers"]["library-ground"]["findings"]
    assert (found["kind"], found["what"]["values"]) == ("repeated-release", {"again": "echo"})


def test_lists_that_write_a_login_in_two_ways_are_told_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings = tmp_path / "pagereeve.toml"
    settings.write_text('[people]\nfile = "people.csv"\n[badges]\ndirectory = "badges.csv"\n')
    (tmp_path / "people.csv").write_text("owner,cost_centre,from\nAnise,1,\nanise,2,2026-01-01\nbasil,1,\n")
    (tmp_path / "badges.csv").write_text("badge,owner,from\n04A1B2C3,ANISE,\n04A1B2C3,anise,2026-02-01\n")
    assert status_of(["check-config", str(settings)]) == 0
    (told,) = [line for line in capsys.readouterr().err.splitlines() if "warning" in line]
    assert "'Anise' is also written 'anise', 'ANISE'" in told
    (tmp_path / "people.csv").write_text("owner,cost_centre,from\nAnise,1,\nANISE,2,\n")
    assert status_of(["check-config", str(settings)]) == 2
    assert "'ANISE' (also written 'Anise') is in two cost centres" in capsys.readouterr().err
