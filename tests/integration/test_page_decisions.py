"""Decisions about pages, from the command line through a running daemon to totals, exports, ledger and explanation."""

from __future__ import annotations

import asyncio
import csv
import io
import json
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from beancount import loader

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.replay import replay_store
from pagereeve.domain.facts.events import PAGES_DECIDED
from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.domain.facts.page_decision import DECISIONS_SOURCE
from pagereeve.domain.values.errors import BadFact
from pagereeve.feeds.local.peer import this_user
from pagereeve.ports.intake import Envelope
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.histories import PRINTER, SIMPLE, ended, policy, reading, started
from tests.integration.daemon import Outside, hasty_settings
from tests.integration.test_cli import pagereeve

FACTS = (
    policy(),
    reading(-1800, -2, 1000, count=4),
    started("r-1", 0, "anise", SIMPLE),
    ended("r-1", 6),
    reading(9, 60, 1005, count=9),
    reading(900, 960, 1012, count=9),
)


@pytest.fixture
async def world(tmp_path: Path) -> AsyncIterator[Outside]:
    """A daemon whose journal has a release, seven stray pages after it, and a release at a printer nobody knows."""
    journal = await SqlJournal.open(tmp_path / JOURNAL_NAME, SystemClock())
    try:
        elsewhere = started("r-9", 100, "basil", SIMPLE)
        assert isinstance(elsewhere, ReleaseStarted)
        for fact in (*FACTS, replace(elsewhere, printer="nowhere")):
            await journal.append(fact)
        await journal.observe(PRINTER, [], reading(1000, 2000, 1012))
        await replay_store(journal, store=True)
    finally:
        await journal.close()
    async with App(hasty_settings(tmp_path, ())) as app, Outside(app) as outside:
        yield outside


class Site:
    def __init__(self, folder: Path) -> None:
        self.place = ("--data-dir", str(folder))

    async def run(self, *words: str, status: int = 0) -> str:
        done = await asyncio.to_thread(pagereeve, *words, *self.place)
        assert done.returncode == status, (done.stdout, done.stderr)
        return (done.stderr if status == 2 else done.stdout).decode()

    async def decisions(self) -> list[dict[str, Any]]:
        return list(json.loads(await self.run("decide", "list", "--json")))

    async def rows(self, *words: str) -> list[dict[str, str]]:
        return list(csv.DictReader(io.StringIO(await self.run("totals", "--format", "csv", *words))))


def adds_up(rows: list[dict[str, str]]) -> None:
    for total in (row for row in rows if row["kind"] == "total"):
        same = [row for row in rows if (row["channel"], row["unit"]) == (total["channel"], total["unit"])]
        assert sum(int(row["pages"]) for row in same if row["kind"] != "total") == int(total["pages"])


async def test_decisions_are_made_shown_added_up_and_undone(world: Outside, tmp_path: Path) -> None:
    site = Site(tmp_path)
    before = await site.rows("--by", "person")
    await claims_are_settled(site)
    await stray_pages_are_moved(site)
    (tmp_path / "ledger.beancount").write_text(await site.run("ledger"))
    entries, errors, _ = loader.load_file(str(tmp_path / "ledger.beancount"))
    assert (len(entries) > 0, errors) == (True, [])
    for by in ("person", "cost-centre", "printer", "day", "release"):
        if by != "day":
            adds_up(await site.rows("--by", by))
    made = [one for one in await site.decisions() if one["act"] != "undo"]
    for one in made:
        await site.run("decide", "undo", one["decision"], "--text", "all over again")
    assert await site.rows("--by", "person") == before
    again = await site.run("decide", "undo", made[0]["decision"], status=2)
    assert "that decision was undone already, or never counted" in again
    assert [one["undone_by"] is not None for one in await site.decisions()] == [*[True] * 2, *[False] * 2]
    assert world.app is not None


async def claims_are_settled(site: Site) -> None:
    """The release at the unknown printer claims pages that nothing proves."""
    dry = await site.run("decide", "confirm", "r-9", "--reason", "admitted", "--dry-run")
    assert dry == "Would be decided: confirm 5 pages (total) of release r-9 of /release-server, admitted\n"
    assert await site.decisions() == []
    said = await site.run("decide", "confirm", "r-9", "--reason", "admitted", "--text", "at the desk")
    assert said.startswith("Decided: confirm 5 pages (total) of release r-9 of /release-server, admitted; id ")
    (one,) = await site.decisions()
    legs = [{"account": "house:confirmed", "pages": -5}, {"account": "person:basil", "pages": 5}]
    assert (one["legs"], one["unproven"], one["in_force"], one["by"]) == (legs, -5, True, this_user().name)
    (row,) = [row for row in await site.rows("--by", "person") if row["person"] == "basil"]
    assert (row["charged"], row["unproven"], row["pages"]) == ("5", "0", "5")
    more = await site.run("decide", "waive", "r-9", "--reason", "jam", "--pages", "1", status=2)
    assert "no page is left to decide on: all were decided" in more
    told = await site.run("explain", "r-9")
    assert "confirm 5 pages (total), because admitted; in force" in told
    assert "at the desk" not in told
    assert f"because admitted: at the desk, by {this_user().name}; in force" in await site.run(
        "explain", "r-9", "--names"
    )


async def stray_pages_are_moved(site: Site) -> None:
    (stray,) = [
        one for one in json.loads(await site.run("findings", "--json", status=1)) if one["kind"] == "stray-pages"
    ]
    move = ("decide", "move", "--from", "stray", "--finding", stray["id"], "--reason", "found-out")
    too_many = await site.run(*move, "--to-person", "chervil", "--pages", "8", status=2)
    assert "more pages than stand there: 7" in too_many
    assert "nothing was decided: 1 of 1 decision would not be in force" in too_many
    await site.run(*move, "--to-person", "chervil", "--pages", "5")
    rows = await site.rows("--by", "person")
    assert [(row["charged"], row["pages"]) for row in rows if row["person"] == "chervil"] == [("5", "5")]
    assert [row["pages"] for row in rows if row["account"] == "house:stray"] == ["2"]
    by_release = [row for row in await site.rows("--by", "release") if row["kind"] == "decision"]
    assert sum(int(row["pages"]) for row in by_release) == 0
    assert {row["person"] for row in by_release} == {"basil", "chervil", ""}


async def test_a_list_is_decided_as_a_whole_or_not_at_all(world: Outside, tmp_path: Path) -> None:
    site, path = Site(tmp_path), tmp_path / "decisions.csv"
    path.write_text("release,pages,reason\nr-9,3,jam\nr-9,3,\n")
    refused = await site.run("decide", "waive", "--list", str(path), "--reason", "agreed", status=2)
    assert "nothing was decided: 1 of 2 decisions would not be in force" in refused
    assert await site.decisions() == []
    path.write_text("release,pages,reason\nr-9,3,jam\nr-9,2,\n")
    await site.run("decide", "waive", "--list", str(path), "--reason", "agreed")
    assert [(one["pages"], one["reason"]) for one in await site.decisions()] == [(3, "jam"), (2, "agreed")]
    assert "Charged: 0." in await site.run("explain", "r-9")
    assert world.app is not None


async def test_the_intake_refuses_what_could_not_be_in_force(world: Outside) -> None:
    """As the local socket hands it in: what a sender did not try first is refused there, by name."""
    claim = {"channel": "total", "release_source": "/release-server", "release_id": "r-9"}
    waive: dict[str, Any] = {"act": "waive", "pages": 5, "reason": "jam", **claim}
    undo: dict[str, Any] = {"act": "undo", "pages": 5, "reason": "mistake", "undoes": "p-1"}
    for data, told in (
        ({**waive, "pages": 6}, ("data.pages", "more pages than stand there: 5")),
        ({**waive, "release_id": "r-8"}, ("data.release_id", "no release of that name")),
        ({**waive, "reason": "gremlins"}, ("data.reason", "gremlins")),
        (undo, ("data.undoes", "no earlier decision has that id")),
        (waive, None),
        (waive | {"pages": 1}, ("data.pages", "no page is left to decide on")),
        (undo, None),
        (undo, ("data.undoes", "undone already")),
    ):
        error = await taken(world, data, f"p-{'1' if data == waive else data['act'] + str(told)}")
        assert (error is None) is (told is None), (data, error)
        if error is not None and told is not None:
            assert (told[0] in error, told[1] in error) == (True, True), error
    other = await taken(world, waive, "p-9", source="/elsewhere")
    assert other is not None
    assert DECISIONS_SOURCE in other


async def taken(world: Outside, data: dict[str, Any], name: str, source: str = DECISIONS_SOURCE) -> str | None:
    envelope = Envelope(source, name, PAGES_DECIDED, None, {**data, "by": "warden"})
    try:
        await world.app.intake.take(envelope, feed="test", wait_s=None)
    except BadFact as error:
        return str(error)
    return None
