"""Every command answers of a journal in PostgreSQL what it answers of one in SQLite, to the byte."""

from __future__ import annotations

import asyncio
import json
import re
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.credential_changes import CredentialRequest, add_credential
from pagereeve.app.daemon import App
from pagereeve.app.journals import JournalPlace, RunningJournal, open_alone
from pagereeve.app.replay import replay_store
from pagereeve.cli import status_of
from pagereeve.settings import PrinterSettings
from pagereeve.store.postgres.address import Address
from pagereeve.store.sql import seal
from pagereeve.store.sqlite.files import JOURNAL_NAME
from tests.histories import PRINTER, SIMPLE, reading, started
from tests.integration.daemon import hasty_settings
from tests.integration.postgres_server import Server
from tests.integration.test_cli import FACTS, RUN
from tests.integration.test_closing import AFTER_US
from tests.integration.test_decisions import FACTS as WITHOUT_BADGES
from tests.integration.test_noted_readings import LOGGED
from tests.integration.test_people import LIST
from tests.integration.test_postgres_daemon import journal_settings, settings_file
from tests.late_releases import notices, observe, printer_name

DAY, NEXT = "2026-11-25", "2026-11-26"
SETTINGS = """
data_dir = "data"
[site]
zone = "Europe/Berlin"
[[printers]]
name = "{printer}"
host = "127.0.0.1"
port = 9
[[rates]]
name = "2026"
currency = "EUR"
from = "2026-01-01"
[[rates.prices]]
channel = "total"
price = "0.025"
"""


@pytest.fixture(autouse=True)
def same_chance(monkeypatch: pytest.MonkeyPatch) -> None:
    """One instant, one id of both journals, salts that are the same: whatever differs then the database made."""
    monkeypatch.setattr(SystemClock, "now_us", lambda _: AFTER_US)
    monkeypatch.setattr(seal, "new_origin", lambda salts: "ab" * 16)
    made = seal.Sealing.__init__

    def without_chance(sealing: seal.Sealing, *given: Any, **named: Any) -> None:
        made(sealing, *given, **named)
        sealing.salts = bytes

    monkeypatch.setattr(seal.Sealing, "__init__", without_chance)


@dataclass
class Site:
    """What was asked, with the exit status and what was said, and the files that were written."""

    config: Path
    place: JournalPlace
    capsys: pytest.CaptureFixture[str]
    said: list[tuple[tuple[str, ...], int, str, str]] = field(default_factory=list)
    files: dict[str, bytes] = field(default_factory=dict)

    def run(self, *asked: str, given: Any = None) -> str:
        """``given``: stands in the place of what was asked where that is another at each site."""
        self.capsys.readouterr()
        status = status_of([*asked, "--config", str(self.config)])
        came = self.capsys.readouterr()
        self.said.append((asked if given is None else given, status, came.out, came.err))
        return came.out

    def write(self, name: str, *asked: str) -> None:
        out = self.config.parent / name
        assert status_of([*asked, "--output", str(out), "--config", str(self.config)]) == 0
        for path in self.config.parent.glob(f"{name}*"):
            self.files[path.name] = path.read_bytes()

    async def keep(self, *, late: bool) -> None:
        async with open_alone(self.place, SystemClock(), may_make=True) as journal:
            await (_come_late if late else _first)(journal)


async def _first(journal: RunningJournal) -> None:
    """A release of 5 pages, 7 pages that nobody released, a release not judged; printers whose notices come late."""
    for fact in FACTS:
        await journal.append(fact)
    await journal.observe(PRINTER, [RUN], reading(105, 200, 1012))
    await journal.append(started("r-1002", 300, "=basil", SIMPLE))
    for nth in range(2):
        await observe(journal, printer_name(nth), 10)


async def _come_late(journal: RunningJournal) -> None:
    for nth in range(2):
        await journal.append_together(notices(printer_name(nth), range(8)))
    # Its readings come late too: what its meter counted nobody knew at the close.
    await observe(journal, printer_name(2), 3)


def _decide_on_findings(site: Site) -> None:
    open_ones = json.loads(site.run("findings", "--all", "--json"))
    for one, word in zip(open_ones, (("explain", "--reason", "maintenance"), ("close",)), strict=False):
        site.run("findings", word[0], one["id"], *word[1:], "--text", "fuser")
    site.run("findings", "reopen", open_ones[1]["id"])
    site.run("findings", "explain", "f-000000000000", "--reason", "jam")
    site.run("findings", "book", open_ones[0]["id"], "--at", PRINTER)
    site.run("findings", "--all")


def _say_of_people(site: Site) -> None:
    list_ = site.config.parent / "people.csv"
    list_.write_text(LIST)
    for _ in range(2):
        site.run("people", "import", str(list_), given=("people", "import"))
    site.run("people", "merge", "basil", "owner-3", "--reason", "one person")
    site.run("people", "list", "--json")
    site.run("people", "show", "basil")


def _note_readings(site: Site) -> None:
    said = site.run("note-reading", PRINTER, "1008", "--at", "2026-11-25T09:08:20Z", "--text", "status page")
    site.run("note-reading", PRINTER, "1100", "--at", "2026-11-25T09:09:00Z", "--despite")
    site.run("note-reading", "--void", said.split("; id ")[1].split(".\n")[0])
    site.run("note-reading", "nowhere", "7")
    site.run("noted-readings", "--json")


def _have_credentials(site: Site) -> None:
    site.run("credentials", "add", "warden", "--act", "note", "--source", "urn:a", "--expires", "2027-01-01")
    site.run("credentials", "add", "warden", "--act", "note")
    site.run("credentials", "add", "mara", "--act", "read", "--proxy")
    site.run("credentials", "add", "gone", "--act", "decide", "--pages-max", "7")
    site.run("credentials", "revoke", "gone")
    site.run("credentials", "revoke", "gone")
    site.run("credentials", "list", "--json")


def _answers(site: Site) -> None:
    for period, groups in ((DAY, ("person", "release")), (NEXT, ("cost-centre", "printer", "day", "release"))):
        for by in groups:
            site.write(f"{period}-{by}.csv", "totals", "--period", period, "--by", by)
        site.run("costs", "--period", period)
        site.write(f"{period}-statement.html", "statement", "person", "owner-3", "--period", period)
        site.write(f"{period}-statement.json", "statement", "printer", printer_name(0), "--names", "--period", period)
    site.run("totals", "--period", "2026-11")
    site.run("losses", "--period", "2026-11")
    site.run("ledger")
    site.run("changed", "--json", "--since", DAY)
    site.run("closed", "--json")
    site.run("decide", "list", "--json")
    site.run("explain", "r-1002")
    site.run("facts")
    site.run("verify", "--json")
    site.run("replay", "--check")


def months_work(site: Site) -> None:
    _have_credentials(site)
    asyncio.run(site.keep(late=False))
    site.run("replay")
    _decide_on_findings(site)
    _say_of_people(site)
    _note_readings(site)
    site.run("close", DAY, "--dry-run", "--json")
    site.run("close", DAY, "--despite", "a jam", "--json")
    site.run("close", DAY, "--despite", "again")
    asyncio.run(site.keep(late=True))
    site.run("replay", "--check")
    site.run("replay")
    site.run("close", NEXT, "--despite", "a jam", "--json")
    _answers(site)


@pytest.fixture
def sites(tmp_path: Path, postgres_journal: Address, capsys: pytest.CaptureFixture[str]) -> tuple[Site, Site]:
    journal = journal_settings(postgres_journal, tmp_path / "secret")
    url = f'[journal]\nurl = "{journal.url}"\npassword_file = "{journal.password_file}"\n'
    made = []
    for name, more in (("file", ""), ("database", url)):
        folder = tmp_path / name
        (folder / "data").mkdir(parents=True)
        config = folder / "pagereeve.toml"
        config.write_text(SETTINGS.format(printer=PRINTER) + more)
        made.append(Site(config, postgres_journal if more else folder / "data" / JOURNAL_NAME, capsys))
    return made[0], made[1]


@pytest.mark.timeout(300)
def test_after_the_same_facts_and_words_every_answer_is_the_same(
    sites: tuple[Site, Site], monkeypatch: pytest.MonkeyPatch, postgres: Server, postgres_journal: Address
) -> None:
    for site in sites:
        numbers = count(1)
        monkeypatch.setattr("secrets.token_hex", lambda size, numbers=numbers: f"{next(numbers):0{2 * size}x}")
        monkeypatch.setattr("secrets.token_bytes", bytes)
        months_work(site)
    assert not (sites[1].config.parent / "data" / JOURNAL_NAME).exists()
    for ours, theirs in zip(sites[0].said, sites[1].said, strict=True):
        assert ours == theirs
    assert sites[0].files == sites[1].files


REFUSED = (
    "UPDATE closed_period SET sha256 = 'x'",
    "UPDATE closed_period SET erased_sha256 = 'x'",
    "UPDATE closed_period SET touched = 99",
    "UPDATE closed_period SET name = 'other'",
    "UPDATE closed_part SET body = '\\x00'",
    "UPDATE closed_part SET number = number + 10",
    "DELETE FROM closed_period",
    "DELETE FROM closed_part",
    f"INSERT INTO closed_part VALUES ('{DAY}', 99, '\\x00')",
    "TRUNCATE closed_part",
    "TRUNCATE closed_period",
    "DELETE FROM closed_touched",
    "UPDATE closed_touched SET number = number - 1",
    (
        "INSERT INTO closed_period SELECT 'x', zone, zone_database, from_us + 1, to_us + 1, closed_us, closed_by, "
        "reason, version, journal, size, head, frozen_rows, sha256, erased_sha256, touched FROM closed_period"
    ),
)


def test_the_database_refuses_every_change_of_what_is_closed(
    sites: tuple[Site, Site], postgres: Server, postgres_journal: Address
) -> None:
    site = sites[1]
    asyncio.run(site.keep(late=False))
    site.run("replay")
    assert "Closed: " in site.run("close", DAY, "--despite", "a jam")
    asyncio.run(site.keep(late=True))
    site.run("replay")
    name = postgres_journal.database

    def held() -> list[str]:
        return [postgres.run(f"SELECT * FROM {one} ORDER BY 1, 2", name) for one in TABLES]

    before = held()
    assert all(before)
    for statement in REFUSED:
        assert re.search("never|not closed again", postgres.refusal(statement, name)), statement
    assert held() == before


TABLES = ("closed_period", "closed_part", "closed_touched")


def test_where_no_daemon_ever_ran_what_needs_a_journal_says_so_and_what_may_begin_one_does(
    sites: tuple[Site, Site], postgres: Server
) -> None:
    address = postgres.new_database()
    journal = journal_settings(address, sites[1].config.parent)
    config = settings_file(journal, sites[1].config.parent)
    site = Site(config, address, sites[1].capsys)
    for asked in (("close", DAY), ("replay",), ("ledger",), ("findings", "explain", "f-0", "--reason", "jam")):
        site.run(*asked)
        assert site.said[-1][1] == 2
        assert "is empty; the daemon makes the journal at its first start" in site.said[-1][3]
    assert "No list names a person" in site.run("people", "list")
    assert "No credentials" in site.run("credentials", "list")
    assert postgres.run("SELECT count(*) FROM pg_tables WHERE schemaname = 'public'", address.database) == "0"
    site.run("credentials", "add", "warden", "--act", "note")
    assert "warden" in site.run("credentials", "list")
    postgres.drop(address)


async def test_beside_a_daemon_its_socket_is_asked_or_the_command_says_that_it_runs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], postgres_journal: Address
) -> None:
    given = journal_settings(postgres_journal, tmp_path)
    site = Site(settings_file(given, tmp_path), postgres_journal, capsys)
    async with open_alone(postgres_journal, SystemClock()) as journal:
        for fact in WITHOUT_BADGES:
            await journal.append(fact)
        await journal.observe(PRINTER, [], reading(1000, 2000, 1012))
        await replay_store(journal, store=True)
    printer = PrinterSettings(name=PRINTER, host="127.0.0.1", port=9)
    settings = hasty_settings(tmp_path / "data", [printer], journal=given)
    people = tmp_path / "people.csv"
    people.write_text(LIST)

    async def run(*asked: str) -> str:
        return LOGGED.sub("", await asyncio.to_thread(site.run, *asked))

    async with App(settings, first_reads_spread_s=0.0) as app:
        (stray, *_) = json.loads(await run("findings", "--kind", "stray-pages", "--json"))
        assert "Sent to the daemon" in await run("findings", "explain", stray["id"], "--reason", "maintenance")
        assert "explained [" in await run("findings", "show", stray["id"])
        assert "Sent to the daemon" in await run("people", "import", str(people))
        assert "Noted: " in await run("note-reading", PRINTER, "1008", "--at", "2026-11-25T09:08:20Z")
        assert "Closed: " in await run("close", "2020-01")
        assert [one.name for one in await app.store.closed_periods()] == ["2020-01"]
        assert (await run("credentials", "add", "warden", "--act", "note")).startswith("pagereeve-")
        assert [one.name for one in await app.store.credentials()] == ["warden"]
        await run("replay", "--check")
        assert site.said[-1][1] == 0
        await run("replay")
        assert site.said[-1][1] == 2
        assert "another daemon works with it; stop that one first" in site.said[-1][3]
    await run("replay")
    assert site.said[-1][1] == 0


async def test_of_two_who_add_one_name_at_once_one_is_refused(postgres_journal: Address) -> None:
    asked = [CredentialRequest("warden", frozenset({act})) for act in ("note", "read")]
    made = (asyncio.to_thread(add_credential, postgres_journal, one, {}) for one in asked)
    came = await asyncio.gather(*made, return_exceptions=True)
    assert sorted(type(one).__name__ for one in came) == ["BadCredential", "str"]
