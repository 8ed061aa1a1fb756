"""``pagereeve clock``: what a wrong clock did to a journal is put right by a further fact, and shown by a replay."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.dating_on import PersonsWord
from pagereeve.app.replay import replay_store
from pagereeve.domain.facts.redating import redated
from pagereeve.feeds.local.peer import this_user
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.histories import PRINTER, SIMPLE, ended, policy, reading, started
from tests.integration.test_cli import pagereeve

TWO_YEARS_S = 17_520 * 3_600
AHEAD = ("--from", "2028-11-24T09:00:00Z", "--until", "2028-11-26T00:00:00Z", "--reason", "the clock was ahead")
SINCE = ("--from", "2026-11-25T09:02:00Z", "--until", "2026-11-26T00:00:00Z", "--reason", "another printer was read")


@pytest.fixture
async def folder(tmp_path: Path) -> Path:
    """Two readings that prove a release were dated two years ahead; seven stray pages came later."""
    ahead = [reading(2, 3, 1002), reading(9, 60, 1005, count=9)]
    journal = await SqlJournal.open(tmp_path / JOURNAL_NAME, SystemClock())
    try:
        for fact in (policy(), reading(-1800, -2, 1000, count=4), started("r-1", 0, "anise", SIMPLE), ended("r-1", 6)):
            await journal.append(fact)
        for fact in ahead:
            await journal.append(redated(fact, TWO_YEARS_S * 1_000_000))
        await journal.append(reading(900, 960, 1012, count=9))
        await replay_store(journal, store=True)
    finally:
        await journal.close()
    return tmp_path


def answer(folder: Path, *arguments: str) -> Any:
    ran = pagereeve(*arguments, "--json", "--data-dir", str(folder))
    assert ran.stderr == b""
    return json.loads(ran.stdout)


def charged(folder: Path) -> list[tuple[int, int]]:
    totals = pagereeve("totals", "--format", "json", "--data-dir", str(folder))
    return [(one["charged"], one["unproven"]) for one in json.loads(totals.stdout)["totals"] if one.get("person")]


def replayed(folder: Path) -> str:
    ran = pagereeve("replay", "--check", "--data-dir", str(folder))
    assert ran.returncode == 0, ran.stdout
    return ran.stdout.decode()


def test_readings_that_were_dated_two_years_ahead_prove_their_release_again(folder: Path) -> None:
    place = ("--data-dir", str(folder))
    assert "meter-went-back" in [one["kind"] for one in answer(folder, "findings", "--all")]
    ran = pagereeve("clock", "redate", *AHEAD, "--by=-17520h", "--printer", PRINTER, *place)
    assert (ran.returncode, ran.stderr) == (0, b"")
    assert ran.stdout.decode() == "2 facts were moved by -17520h. The ledger was computed again.\n"
    assert charged(folder) == [(5, 0)]
    assert [one["kind"] for one in answer(folder, "findings", "--all")] == ["stray-pages"]
    assert "nothing differs" in replayed(folder)
    said = [json.loads(line) for line in pagereeve("facts", *place).stdout.splitlines()]
    [fact] = [one for one in said if one["fact"] == "redated"]
    assert (fact["by"], fact["reason"], fact["by_us"]) == (
        this_user().name,
        "the clock was ahead",
        -TWO_YEARS_S * 1_000_000,
    )


def test_a_file_of_the_facts_gives_the_same_ledger(folder: Path) -> None:
    place = ("--data-dir", str(folder))
    pagereeve("clock", "redate", *AHEAD, "--by=-17520h", *place)
    facts = folder / "facts.ndjson"
    facts.write_bytes(pagereeve("facts", *place).stdout)
    projected = json.loads(pagereeve("project", str(facts), "--json").stdout)
    [charge] = projected["printers"][PRINTER]["charges"]
    assert (charge["charged"], charge["verdict"]) == (5, "agrees")


def test_readings_can_be_void(folder: Path) -> None:
    ran = pagereeve("clock", "void", *SINCE, "--data-dir", str(folder))
    assert (ran.returncode, ran.stderr) == (0, b"")
    assert ran.stdout.decode() == "1 run of readings is void now. The ledger was computed again.\n"
    assert "nothing differs" in replayed(folder)
    facts = folder / "facts.ndjson"
    facts.write_bytes(pagereeve("facts", "--data-dir", str(folder)).stdout)
    said = [json.loads(line) for line in facts.read_bytes().splitlines()]
    assert [one["counts"]["total"] for one in said if one["fact"] == "reading"].count(1012) == 1
    projected = json.loads(pagereeve("project", str(facts), "--json").stdout)["printers"][PRINTER]
    stored = answer(folder, "findings", "--all")
    assert [one["id"] for one in projected["findings"]] == [one["id"] for one in stored]
    again = pagereeve("clock", "void", *SINCE, "--data-dir", str(folder))
    assert again.returncode == 2
    assert b"no such fact was dated then" in again.stderr


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("redate", *AHEAD, "--by=soon"), b"--by: 'soon' is no duration"),
        (("redate", *AHEAD, "--by=0s"), b"--by: nothing would change"),
        (("redate", *AHEAD, "--by=1h", "--printer", "none-such"), b"no fact of printer none-such"),
        (("void", "--from", "then", "--until", "2026-11-26", "--reason", "x"), b"--from"),
    ],
)
def test_what_makes_no_sense_changes_nothing(folder: Path, arguments: tuple[str, ...], said: bytes) -> None:
    ran = pagereeve("clock", *arguments, "--data-dir", str(folder))
    assert (ran.returncode, ran.stdout) == (2, b"")
    assert said in ran.stderr


def test_a_persons_word_is_left_for_the_daemon(folder: Path) -> None:
    ran = pagereeve("clock", "agree", "--data-dir", str(folder))
    assert ran.returncode == 0
    assert f"is right, by {this_user().name}".encode() in ran.stdout
    assert PersonsWord.within(folder).take(SystemClock().now_us()) == this_user().name
    refused = pagereeve("clock", "agree", "--who", "warden", "--data-dir", str(folder))
    assert refused.returncode == 2
