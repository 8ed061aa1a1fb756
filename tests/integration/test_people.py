"""``pagereeve people``, beside a running daemon and without one. All people are invented."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from pagereeve.app.daemon import App
from pagereeve.app.people_door import FACTS_MAX
from pagereeve.cli import status_of
from pagereeve.domain.facts.facts import Assigned
from pagereeve.domain.facts.people import PeopleMerged, PersonNamed
from pagereeve.feeds.local.peer import this_user
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.reads import SqlReads
from tests.integration.daemon import Outside, hasty_settings
from tests.integration.reloading import hung_up, running, site_in
from tests.integration.test_local_door import HTTP, LOCAL

LIST = """name,login,cost_centre,until,from,mail
Anise Adler,anise,00042,2026-11-15,,anise@college.example
Anise Adler,Anise,3-12,,2026-11-15,
Basil Byrd,basil,00042,,,
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "people.csv"
    path.write_text(LIST)
    return path


class Command:
    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self._where = ("--data-dir", str(folder))
        self._capsys = capsys

    def __call__(self, *arguments: str, status: int = 0) -> str:
        assert status_of(["people", *arguments, *self._where]) == status
        said = self._capsys.readouterr()
        return said.out + said.err

    def json(self, *arguments: str, status: int = 0) -> Any:
        assert status_of(["people", *arguments, "--json", *self._where]) == status
        return json.loads(self._capsys.readouterr().out)


@pytest.fixture
def people(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Command:
    return Command(tmp_path, capsys)


def number_of_facts(folder: Path) -> int:
    async def count() -> int:
        async with await SqlReads.open_for_reading(folder / JOURNAL_NAME) as reads:
            return len([one async for one in reads.people_facts()])

    return asyncio.run(count())


def test_a_list_is_imported_once_and_changed_by_line(tmp_path: Path, file: Path, people: Command) -> None:
    tried = people("import", str(file), "--dry-run")
    assert "line 2: p-" in tried
    assert "10 changes, with 2 new persons" in tried
    assert not (tmp_path / JOURNAL_NAME).exists()
    assert "Written into the journal: 10 changes, with 2 new persons." in people("import", str(file))
    assert "Nothing changes." in people("import", str(file))
    assert number_of_facts(tmp_path) == 10
    file.write_text(LIST.replace("Basil Byrd", "Basil Bird"))
    assert "line 4: p-" in (changed := people("import", str(file)))
    assert "name Basil Bird; it was Basil Byrd" in changed
    assert "1 change, with 0 new persons" in changed
    assert "Anise Adler" in people("list")
    shown = people.json("show", "ANISE@college.example")
    spans = [(one["text"], one["from"], one["until"]) for one in shown["said"] if one["word"] == "cost_centre"]
    assert spans == [("00042", None, "2026-11-15T00:00:00.000000Z"), ("3-12", "2026-11-15T00:00:00.000000Z", None)]


def test_two_are_merged_and_are_two_again(file: Path, people: Command) -> None:
    people("import", str(file))
    before = people.json("list")
    people("merge", "basil", "anise", "--reason", "one person with two accounts")
    shown = people.json("show", "basil")
    assert (shown["name"], {one["text"] for one in shown["said"] if one["word"] == "login"}) == (
        "Anise Adler",
        {"anise", "Anise", "basil"},
    )
    (merge,) = shown["merges"]
    assert (merge["by"], merge["merged"]) == (this_user().name, True)
    assert "merged into" in people("show", "anise")
    assert "nothing to merge" in people("merge", "basil", "anise", "--reason", "again", status=2)
    people("unmerge", merge["person"], merge["into"], "--reason", "two people after all")
    after = people.json("list")
    assert [{**one, "merges": []} for one in after["persons"]] == before["persons"]
    assert "is not merged into" in people("unmerge", merge["person"], merge["into"], "--reason", "x", status=2)


def test_logins_that_no_list_names_are_merged_too_and_a_typing_error_is_told(people: Command, tmp_path: Path) -> None:
    people("import", str(_written(tmp_path, "login,name\nanise,Anise Adler\n")))
    people("merge", "stranger", "anise", "--reason", "an old account")
    assert people.json("show", "stranger")["name"] == "Anise Adler"
    assert "is nobody whom a list names" in people("show", "nobody", status=2)
    assert "is nobody whom a list names" in people("merge", "p-0123456789ab", "anise", "--reason", "x", status=2)
    assert "--reason: must be plain text" in people("merge", "other", "anise", "--reason", " ", status=2)


def test_a_login_of_two_persons_at_once_is_told_wherever_it_is_seen(people: Command, tmp_path: Path) -> None:
    people("import", str(_written(tmp_path, "login,person\nanise,4711\n")))
    warned = people("import", str(_written(tmp_path, "login,person,from\nanise,4712,2026-11-15\n")))
    assert "warning: the login anise is that of p-" in warned
    assert [one["login"] for one in people.json("list", status=1)["collisions"]] == ["anise"]


def test_a_list_of_owners_is_imported_as_ever(people: Command, tmp_path: Path) -> None:
    written = _written(tmp_path, "owner,cost_centre,from\nanise,arts,\n")
    assert "anise: cost centre arts" in people("import", str(written))
    assert "Nothing changes." in people("import", str(written))


def _written(folder: Path, text: str) -> Path:
    path = folder / "list.csv"
    path.write_text(text)
    return path


@pytest.fixture
async def app(tmp_path: Path) -> AsyncIterator[App]:
    async with App(hasty_settings(tmp_path, (), http=HTTP, local=LOCAL)) as one, Outside(one):
        yield one


async def test_beside_a_daemon_it_is_the_daemon_that_stores(app: App, file: Path, people: Command) -> None:
    assert "Sent to the daemon: 10 changes, with 2 new persons." in await asyncio.to_thread(people, "import", str(file))
    said = [one async for one in app.store.people_facts()]
    assert {one.by for one in said if isinstance(one, PersonNamed)} == {this_user().name}
    assert len(said) == 10
    assert "Nothing changes." in await asyncio.to_thread(people, "import", str(file))
    await asyncio.to_thread(people, "merge", "basil", "anise", "--reason", "one person")
    assert [one.reason async for one in app.store.people_facts() if isinstance(one, PeopleMerged)] == ["one person"]


async def test_more_than_fit_into_one_request_go_in_parts(app: App, people: Command, tmp_path: Path) -> None:
    lines = "".join(f"user-{number},Invented {number}\n" for number in range(FACTS_MAX))
    written = _written(tmp_path, f"login,name\n{lines}")
    assert "1000 changes, with 500 new persons" in await asyncio.to_thread(people, "import", str(written))
    assert len([one async for one in app.store.people_facts()]) == 2 * FACTS_MAX


async def test_a_reload_takes_the_list_over_and_one_that_contradicts_what_is_known_changes_nothing(
    tmp_path: Path,
) -> None:
    async with site_in(tmp_path) as site:
        listed = site.file("people.csv", LIST)
        site.more = f'[people]\nfile = "{listed}"\n'
        site.write()
        async with running(site) as (app, _):
            assert len(await said_by(app)) == 10
            listed.write_text(LIST + "Chervil Cole,chervil,00042,,,\n")
            await hung_up(app)
            assert len(await said_by(app)) == 13
            listed.write_text("login,mail\nanise,one@college.example\nbasil,one@college.example\n")
            await hung_up(app, "refused")
            assert len(await said_by(app)) == 13
        async with running(site) as (app, _):
            assert len(await said_by(app)) == 13, "readings go on, and what is known stays in force"


async def said_by(app: App) -> list[str]:
    said = [one async for one in app.store.people_facts()]
    assert not any(isinstance(one, Assigned) for one in said)
    return [one.by for one in said if isinstance(one, PersonNamed)]
