"""Accounts over HTTP: the same JSON as the commands print, and nobody's name to who may not see names."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import httpx2
import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.replay import replay_store
from pagereeve.cli import status_of
from pagereeve.console.api.file_names import attachment
from pagereeve.console.api.site import AskedSite
from pagereeve.domain.credentials.callers import Caller
from pagereeve.domain.values.instants import from_text
from pagereeve.feeds.local.peer import this_user
from pagereeve.settings import load_settings
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from pagereeve.store.sqlite.reads import SqlReads
from tests.asking import ACCOUNTING, READER, asking
from tests.histories import PRINTER, SIMPLE, started
from tests.statements import DAY_S, month

SETTINGS: Final = """
data_dir = "."
[site]
zone = "Europe/Berlin"
[[periods]]
name = "first-week"
from = "2026-11-01"
to = "2026-11-08"
[[periods]]
name = "later"
from = "2026-11-08"
to = "2026-11-15"
[[rates]]
name = "2026"
currency = "EUR"
from = "2026-01-01"
[[rates.prices]]
channel = "total"
price = "0.025"
"""
AFTER_US: Final = from_text("2026-12-02T00:00:00Z")
OWNERS: Final = ("anise", "=basil")


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A month of two people's releases, of which the first week is closed, and a notice for it that came later."""
    folder = tmp_path_factory.mktemp("accounts")
    path = folder / "pagereeve.toml"
    path.write_text(SETTINGS)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(SystemClock, "now_us", lambda _: AFTER_US)
        asyncio.run(_fill(folder, first=True))
        assert status_of(["close", "first-week", "--despite", "Anise said so", "--config", str(path)]) == 0
        asyncio.run(_fill(folder, first=False))
        yield path


async def _fill(folder: Path, *, first: bool) -> None:
    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    try:
        for fact in month(OWNERS, days=14) if first else [started("late", -22 * DAY_S + 5, "sage", SIMPLE)]:
            await journal.append(fact)
        await replay_store(journal, store=True)
    finally:
        await journal.close()


async def _asked(reads: SqlReads, caller: Caller, site: AskedSite, paths: Sequence[str]) -> list[httpx2.Response]:
    async with asking(reads, caller, site, AFTER_US) as client:
        return [await client.get(path) for path in paths]


def answers(config: Path, caller: Caller, *paths: str) -> list[httpx2.Response]:
    async def ask() -> list[httpx2.Response]:
        site = AskedSite.of(load_settings(config))
        async with await SqlReads.open_for_reading(config.with_name(JOURNAL_NAME)) as reads:
            return await _asked(reads, caller, site, paths)

    return asyncio.run(ask())


def told(config: Path, caller: Caller, path: str) -> Any:
    [answer] = answers(config, caller, path)
    assert answer.status_code == 200, answer.text
    return answer.json()


def printed(capsys: pytest.CaptureFixture[str], config: Path, *words: str) -> Any:
    capsys.readouterr()
    assert status_of([*words, "--config", str(config)]) in {0, 1}
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("period", ["2026-11", "first-week"])
def test_totals_are_those_of_the_command(config: Path, period: str, capsys: pytest.CaptureFixture[str]) -> None:
    groupings = ("person", "cost-centre", "printer", "day")
    asked = [f"/v1/totals?by={by}&period={period}" for by in groupings]
    for by, answer in zip(groupings, answers(config, ACCOUNTING, *asked), strict=True):
        assert answer.json() == printed(capsys, config, "totals", "--by", by, "--period", period, "--format", "json")
        assert answer.json()["adds_up"] is True
        assert ("closed" in answer.json()) is (period == "first-week")


COMMANDS: Final[dict[str, tuple[str, ...]]] = {
    "losses?period=later": ("losses", "--period", "later"),
    "losses?by=cause&from=2026-11-10": ("losses", "--by", "cause", "--from", "2026-11-10"),
    "costs?by=person&period=later": ("costs", "--by", "person", "--period", "later"),
    "costs?period=later": ("costs", "--by", "printer", "--period", "later"),
    "statements/person/%20Anise%20?period=later": ("statement", "person", " Anise ", "--period", "later"),
    "statements/cost-centre/00042?period=later": ("statement", "cost-centre", "00042", "--period", "later"),
    f"statements/printer/{PRINTER}?period=later": ("statement", "printer", PRINTER, "--period", "later"),
    f"statements/printer/{PRINTER}?period=later&names=true": (
        *("statement", "printer", PRINTER, "--period", "later", "--names"),
    ),
}


def test_the_answers_are_what_the_commands_print(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    got = answers(config, ACCOUNTING, *(f"/v1/{path}" for path in COMMANDS))
    for answer, words in zip(got, COMMANDS.values(), strict=True):
        assert answer.json() == printed(capsys, config, *words, "--format", "json"), words


def test_who_may_not_see_names_sees_none_and_is_refused_what_is_about_persons(config: Path) -> None:
    about_persons = (
        "totals?by=person",
        "costs?by=person",
        "statements/person/anise?period=later",
        f"statements/printer/{PRINTER}?period=later&names=true",
        "periods/first-week/changes",
    )
    for answer in answers(config, READER, *(f"/v1/{one}" for one in about_persons)):
        assert (answer.status_code, answer.json()["cause"]) == (403, "names"), answer.url
    others = (
        *("totals?by=printer&period=first-week", "totals?by=cost-centre", "totals?by=day&period=later", "losses"),
        *("costs?by=cost-centre", "periods", "periods/first-week"),
        *("losses?period=first-week", "costs?period=first-week", f"statements/printer/{PRINTER}?period=first-week"),
        *(f"statements/printer/{PRINTER}?period=later", "statements/cost-centre/00042?period=later"),
    )
    for answer in answers(config, READER, *(f"/v1/{one}" for one in others)):
        assert answer.status_code == 200, answer.text
        shown = answer.text.casefold()
        assert not [name for name in ("anise", "basil", "sage", f'"{this_user().name}"') if name in shown], answer.url


def test_a_closed_period_says_by_whom_and_what_came_later(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    known = told(config, ACCOUNTING, "/v1/periods")
    assert known["closed"] == printed(capsys, config, "closed", "--json")
    assert [(one["name"], one["closed"]) for one in known["named"]] == [("first-week", True), ("later", False)]
    one = told(config, ACCOUNTING, "/v1/periods/first-week")
    assert (one["state"], one["closed"], one["concerns"]) == ("closed", known["closed"][0], [])
    assert one["closed"]["despite"] == "Anise said so"
    nameless = told(config, READER, "/v1/periods/first-week")["closed"]
    assert nameless == one["closed"] | {"by": None, "despite": None}
    changed = printed(capsys, config, "changed", "--since", "first-week", "--json")
    assert changed
    found, path = [], "/v1/periods/first-week/changes?limit=2"
    while path:
        page = told(config, ACCOUNTING, path)
        assert len(page["items"]) <= 2
        found += page["items"]
        path = page["next"]
    by_place = sorted(changed, key=lambda one: json.dumps(one, sort_keys=True))
    assert sorted(found, key=lambda one: json.dumps(one, sort_keys=True)) == by_place


def test_an_open_period_says_what_stands_in_the_way(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    later = told(config, READER, "/v1/periods/later")
    dry = printed(capsys, config, "close", "later", "--dry-run", "--json")
    assert (later["state"], later["trouble"]) == ("closable", None)
    assert [{name: value for name, value in one.items() if name != "text"} for one in later["concerns"]] == (
        dry["concerns"]
    )
    assert later["concerns"]
    for name, trouble in (("2026-12", "not-over"), ("2026-11", "overlaps"), ("2026-10", "before-closed")):
        one = told(config, READER, f"/v1/periods/{name}")
        assert (one["state"], one["trouble"]["trouble"]) == ("not-closable", trouble)


WRONG: Final = (
    ("totals?by=release", 400, "by"),
    ("totals?by=day", 400, "period"),
    ("totals?period=2026-13", 400, "period"),
    ("totals?period=2026-11&from=2026-11-01", 400, "period"),
    ("totals?from=2026-11-02&to=2026-11-01", 400, "to"),
    ("losses?by=person", 400, "by"),
    ("costs?per=month", 400, "per"),
    ("statements/printer/hall?period=later", 404, "name"),
    (f"statements/printer/{PRINTER}", 400, "period"),
    ("statements/room/hall?period=later", 400, "of"),
    ("periods/whenever", 404, "name"),
    ("periods/later/changes", 404, "name"),
    ("periods?x=1", 400, "x"),
)


def test_what_is_wrong_with_a_question_is_said(config: Path) -> None:
    got = answers(config, ACCOUNTING, *(f"/v1/{path}" for path, _, _ in WRONG))
    for answer, (path, status, where) in zip(got, WRONG, strict=True):
        assert (answer.status_code, answer.json()["where"]) == (status, where), path


def test_without_prices_there_are_no_costs(config: Path) -> None:
    async def ask() -> httpx2.Response:
        async with await SqlReads.open_for_reading(config.with_name(JOURNAL_NAME)) as reads, asking(reads) as client:
            return await client.get("/v1/costs")

    assert asyncio.run(ask()).json()["type"] == "urn:pagereeve:problem:not-found"


EXPORTS: Final[dict[str, tuple[str, ...]]] = {
    "person.csv": (),
    "cost-centre.csv": ("--locale", "de"),
    "day.csv": ("--delimiter", "tab", "--bom"),
    "release.csv": ("--decimal", ",", "--locale", "sv", "--no-bom"),
    "release.json": (),
    "printer.json": (),
    "release.xlsx": (),
    "day.xlsx": (),
    "release.parquet": (),
    "day.parquet": (),
}
_OPTIONS: Final = {"--bom": "bom=true", "--no-bom": "bom=false"}


def _query(options: Sequence[str]) -> str:
    words = list(options)
    said = []
    while words:
        word = words.pop(0)
        said.append(_OPTIONS[word] if word in _OPTIONS else f"{word.removeprefix('--')}={words.pop(0)}")
    return "".join(f"&{one}" for one in said)


@pytest.mark.parametrize("period", ["2026-11", "first-week"])
def test_an_export_is_to_the_byte_what_the_command_writes(config: Path, period: str) -> None:
    paths = []
    for name, options in EXPORTS.items():
        by, _, kind = name.partition(".")
        out = config.with_name(f"{period}-{name}")
        asked = ["totals", "--by", by, "--period", period, "--output", str(out), *options, "--config", str(config)]
        assert status_of(asked) == 0
        paths.append(f"/v1/exports/{by}?period={period}&format={kind}{_query(options)}")
    for name, answer in zip(EXPORTS, answers(config, ACCOUNTING, *paths), strict=True):
        assert answer.status_code == 200, answer.text
        assert answer.content == config.with_name(f"{period}-{name}").read_bytes(), name
        by, _, kind = name.partition(".")
        assert answer.headers["content-disposition"] == (f'attachment; filename="pagereeve-{by}-{period}.{kind}"')


def test_an_export_of_no_persons_names_nobody(config: Path) -> None:
    paths = [f"/v1/exports/{by}?period=first-week&format=json" for by in ("printer", "cost-centre", "day")]
    for answer in answers(config, READER, *paths):
        assert answer.json()["adds_up"] is True
        assert not [name for name in ("anise", "basil", f'"{this_user().name}"') if name in answer.text.casefold()]
    for answer in answers(config, READER, "/v1/exports/person", "/v1/exports/release?format=json"):
        assert (answer.status_code, answer.json()["cause"]) == (403, "names")


STATEMENTS: Final = (
    ("person", "Anise", False),
    ("cost-centre", "", False),
    ("printer", PRINTER, False),
    ("printer", PRINTER, True),
)


@pytest.mark.parametrize("period", ["2026-11", "first-week"])
def test_a_statement_as_a_file_is_to_the_byte_what_the_command_writes(config: Path, period: str) -> None:
    paths, files = [], []
    for of, name, names in STATEMENTS:
        for kind in ("html", "json"):
            out = config.with_name(f"{period}-{of}-{names}.{kind}")
            more = ["--names"] if names else []
            asked = ["statement", of, name, "--period", period, "--output", str(out), *more, "--config", str(config)]
            assert status_of(asked) in {0, 1}
            files.append(out.read_bytes())
            paths.append(f"/v1/statement-files/{of}/{name}?period={period}&format={kind}&names={str(names).lower()}")
    for path, file, answer in zip(paths, files, answers(config, ACCOUNTING, *paths), strict=True):
        assert answer.status_code == 200, answer.text
        assert answer.content == file, path
        assert answer.headers["content-disposition"].isascii()
        assert "sandbox" in answer.headers["content-security-policy"]


def test_a_statement_as_a_file_names_nobody_who_may_not_be_named(config: Path) -> None:
    for kind in ("html", "json"):
        at = f"/v1/statement-files/printer/{PRINTER}?period=first-week&format={kind}"
        [answer] = answers(config, READER, at)
        assert answer.status_code == 200
        assert not [name for name in ("anise", "basil", this_user().name) if name in answer.text.casefold()]
        refused = answers(
            config, READER, f"{at}&names=true", f"/v1/statement-files/person/a?period=later&format={kind}"
        )
        assert [one.status_code for one in refused] == [403, 403]


@pytest.mark.parametrize(
    ("words", "name"),
    [
        (("person", 'J\u00f6rg ="\r\n/../x', "2026-11"), "pagereeve-person-J-rg-..-x-2026-11.html"),
        (("printer", "\u4e2d\u6587", "2026-11"), "pagereeve-printer-2026-11.html"),
        (("person", "x" * 300), f"pagereeve-{('person-' + 'x' * 300)[:100]}.html"),
    ],
)
def test_a_files_name_is_one_that_every_system_holds(words: tuple[str, ...], name: str) -> None:
    assert attachment(words, "html") == f'attachment; filename="{name}"'


WRONG_EXPORTS: Final = (
    ("room", 400, "by"),
    ("day", 400, "period"),
    ("printer?format=ods", 400, "format"),
    ("printer?format=json&locale=de", 400, "locale"),
    ("printer?locale=xx", 400, "locale"),
    ("printer?zone=UTC", 400, "zone"),
    ("printer?period=x", 400, "period"),
)


def test_what_is_wrong_with_an_export_is_said_before_it_begins(config: Path) -> None:
    got = answers(config, READER, *(f"/v1/exports/{path}" for path, _, _ in WRONG_EXPORTS))
    for answer, (path, status, where) in zip(got, WRONG_EXPORTS, strict=True):
        assert (answer.status_code, answer.json()["where"]) == (status, where), path
    long = "2026-11-01T00:00:00Z to 2026-11-09"
    [answer] = answers(config, READER, "/v1/exports/printer?from=2026-11-01T00:00:00Z&to=2026-11-09")
    name = re.sub(r"[^0-9A-Za-z-]+", "-", long)
    assert answer.headers["content-disposition"] == f'attachment; filename="pagereeve-printer-{name}.csv"'
