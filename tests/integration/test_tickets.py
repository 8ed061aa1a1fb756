"""What a ticket means where it leaves a member out, and where its source says that it does not know."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from pagereeve.cli import status_of
from pagereeve.domain.facts.codec import to_json
from pagereeve.domain.facts.facts import Decided, Fact
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.settings import load_settings
from pagereeve.settings.tickets import TicketSettings
from tests.histories import PRINTER, SOURCE, ended, origin, policy, reading, started
from tests.projecting import Project, kinds, projecting

SAYS_LITTLE = Ticket(pages=5, sides="one-sided", separator_sheets=0)
OTHER = "/other-server"
SETTINGS = """
[policy]
ticket = {{ sides = "one-sided" }}
[[printers]]
name = "{printer}"
host = "192.0.2.1"
[[printers]]
name = "hall"
host = "192.0.2.2"
policy = {{ ticket = {{ sides = "unknown", number_up = 2 }} }}
[[sources]]
source = "{other}"
ticket = {{ copies = "unknown" }}
[[sources]]
source = "{other}"
printers = ["hall"]
ticket = {{ copies = 3 }}
"""


@pytest.fixture
def project(tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> Project:
    return projecting(tmp_path, capsysbinary)


def released(
    *counts: int, ticket: Ticket = SAYS_LITTLE, source: str = SOURCE, rule: Policy | None = None
) -> list[Fact]:
    """Releases of one ticket, five minutes apart, each alone; the meter counts what is said."""
    facts: list[Fact] = [policy(value=rule), reading(-1800, -2, 1000, count=4)]
    total = 1000
    for place, count in enumerate(counts):
        second, total = 300 * place, total + count
        facts += [
            started(f"r-{place}", second, "anise", ticket, source=source),
            ended(f"r-{place}", second + 6, source),
        ]
        facts.append(reading(second + 9, second + 280, total, count=30))
    return facts


def charge(body: Any, place: int = 0) -> Any:
    return body["printers"][PRINTER]["charges"][place]


def test_what_is_absent_takes_the_default_and_null_is_unknown(project: Project) -> None:
    absent = charge(project(released(5)))
    assert (absent["expected"], absent["verdict"], absent["reasons"]) == ({"least": 5, "most": 5}, "agrees", [])
    unknown = replace(SAYS_LITTLE, unknown=("copies", "separator_sheets"), separator_sheets=None)
    null = charge(project(released(15, ticket=unknown)))
    assert (null["expected"], null["verdict"]) == ({"least": 5, "most": None}, "agrees")
    assert null["reasons"] == ["copies-unknown", "separators-unknown"]


def test_settings_say_what_absence_means_for_a_source_and_a_printer(tmp_path: Path, project: Project) -> None:
    path = tmp_path / "pagereeve.toml"
    path.write_text(SETTINGS.format(printer=PRINTER, other=OTHER))
    settings = load_settings(path, {})
    here, hall = (settings.policy_of(printer) for printer in settings.printers)
    bare = Ticket(pages=5)
    assert hall.meant(OTHER, bare) == Ticket(
        5, 3, None, 2, separator_sheets=0, unknown=("color_mode", "media", "sides")
    )
    mine = charge(project(released(5, ticket=bare, rule=here)))
    assert (mine["expected"], mine["verdict"]) == ({"least": 5, "most": 5}, "agrees")
    others = charge(project(released(20, ticket=bare, rule=here, source=OTHER)))
    assert (others["expected"], others["verdict"]) == ({"least": 5, "most": None}, "agrees")
    path.write_text(SETTINGS.format(printer=PRINTER, other=OTHER).replace('["hall"]', '["hal"]'))
    assert status_of(["check-config", str(path)]) == 2


def test_a_default_holds_from_its_date_on(project: Project) -> None:
    default = Policy.meant
    assert default(Policy(), SOURCE, SAYS_LITTLE).copies == 1
    later = policy(150, Policy(tickets=load_one('copies = "unknown"')))
    body = project([*released(10, 10), later])
    assert [charge(body, place)["verdict"] for place in (0, 1)] == ["surplus", "agrees"]


def load_one(member: str) -> Any:
    name, _, value = member.partition(" = ")
    return TicketSettings(**{name: json.loads(value)}).to_defaults()


def test_a_source_that_never_says_copies_is_one_finding_until_it_is_decided(project: Project) -> None:
    facts = released(10, 5, 15, 10)
    body = project(facts)
    (found,) = body["printers"][PRINTER]["findings"]
    assert (found["kind"], found["state"], found["pages"]) == ("tickets-incomplete", "open", 20)
    assert 'ticket = { copies = "unknown" }' in found["text"]
    assert [one["release"] for one in found["releases"]] == ["r-0", "r-2", "r-3"]
    assert [charge(body, place)["charged"] for place in range(4)] == [5, 5, 5, 5]
    decided = Decided(PRINTER, origin("d", 2000), found["id"], "close", "the warden")
    assert kinds(project([*facts, decided]), PRINTER) == ["surplus", "surplus", "surplus", "tickets-incomplete"]


def test_what_no_whole_multiple_explains_is_told_at_once(project: Project) -> None:
    assert kinds(project(released(10, 12)), PRINTER) == ["surplus", "tickets-incomplete"]


def test_a_source_that_says_copies_is_believed(project: Project) -> None:
    said = replace(SAYS_LITTLE, copies=1, number_up=1)
    assert kinds(project(released(10, 5, ticket=said)), PRINTER) == ["surplus"]
    first = released(5, ticket=said)
    assert kinds(project([*first[:4], *released(5, 10)[4:]]), PRINTER) == ["surplus"]


def test_a_bad_optional_member_costs_itself_alone_in_a_file_of_facts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    facts = [started("r-0", 0, "anise", replace(SAYS_LITTLE, copies=1)), ended("r-0", 6)]
    lines = [to_json(fact) for fact in (policy(), reading(-60, -2, 1000), *facts, reading(9, 60, 1005, count=9))]
    lines[3]["data"] |= {"pages_sent": -2129748404, "pages": 5}
    lines[2]["data"]["ticket"] |= {"sides": "both", "number_up": "1"}
    file = tmp_path / "facts.ndjson"
    file.write_text("\n".join(map(json.dumps, lines)))
    assert status_of(["project", str(file), "--json"]) == 0
    said = capsys.readouterr()
    (one,) = json.loads(said.out)["printers"][PRINTER]["charges"]
    assert (one["verdict"], one["reasons"]) == ("agrees", ["number-up-unknown", "sides-unknown", "blank-backs"])
    told = said.err.splitlines()
    assert [line.split(": ")[3] for line in told] == [
        "data.ticket.sides",
        "data.ticket.number_up",
        "data.pages_sent",
        "data.pages",
    ]
    assert all(f"line {number}: " in line for number, line in zip((3, 3, 4, 4), told, strict=True))
