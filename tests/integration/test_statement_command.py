"""``pagereeve statement`` and ``losses`` on a journal on disk: files, exit statuses, and thousands of releases."""

from __future__ import annotations

import asyncio
import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.replay import replay_store
from pagereeve.cli import status_of
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.histories import PRINTER
from tests.integration.test_releases import charges, journal_of
from tests.statements import month

SETTINGS = """
data_dir = "."
[site]
zone = "Europe/Berlin"
[[rates]]
name = "2026"
currency = "EUR"
from = "2026-01-01"
[[rates.prices]]
channel = "total"
price = "0.025"
"""


async def fill(folder: Path) -> None:
    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    try:
        for fact in month(days=8):
            await journal.append(fact)
        await replay_store(journal, store=True)
    finally:
        await journal.close()


@pytest.fixture(scope="module")
def config(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("site")
    asyncio.run(fill(folder))
    path = folder / "pagereeve.toml"
    path.write_text(SETTINGS)
    return path


def asked(config: Path, *what: str) -> list[str]:
    return ["statement", *what, "--config", str(config)]


def test_the_page_the_json_and_the_table_say_the_same(config: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    person = ("person", "anise", "--period", "2026-11")
    page, body = config.with_name("anise.html"), config.with_name("anise.json")
    for out in (page, body):
        assert status_of(asked(config, *person, "--output", str(out))) == 0
        assert out.stat().st_mode & 0o077 == 0
    known = json.loads(body.read_text())
    assert (known["sums"][0]["charged"], known["costs"]["amounts"][0]["amount"]) == (18, "0.45")
    assert known["seal"]["size"] > 0
    assert known["period"]["zone_database"].startswith("20")
    assert "4 releases: 18 impressions charged (total)." in page.read_text()
    assert known["seal"]["head"] in page.read_text()
    assert capfdbinary.readouterr() == (b"", b"")
    assert status_of(asked(config, *person)) == 0
    shown = capfdbinary.readouterr().out.decode()
    assert "4 releases: 18 impressions charged (total)." in shown
    assert "0.45 EUR" in shown


def test_a_printer_s_adds_up_and_what_can_t_be_answered_is_refused_by_name(
    config: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    assert status_of(asked(config, "printer", PRINTER, "--period", "2026-11", "--format", "json")) == 0
    (account,) = json.loads(capfd.readouterr().out)["accounts"]
    assert account["conserved"]
    for what, problem in (
        (("printer", "library-grond", "--period", "2026-11"), "'library-ground' is"),
        (("person", "anise"), "--period"),
        (("person", "anise", "--period", "2026-11", "--output", "anise.txt"), "neither in .html nor in .json"),
        (("person", "anise", "--period", "2026-11", "--output", "a.html", "--format", "table"), "for terminals"),
    ):
        assert status_of(asked(config, *what)) == 2
        assert problem in capfd.readouterr().err


def test_thousands_of_releases_are_one_statement_and_late_notices_are_looked_up_for_all(tmp_path: Path) -> None:
    own = [replace(one, channel="total", owner="sage") for one in charges(5_000)]
    config = asyncio.run(journal_of(tmp_path, own))
    out = tmp_path / "sage.html"
    assert status_of(asked(config, "person", "sage", "--period", "2026-01", "--output", str(out))) == 0
    page = out.read_text()
    assert "5000 releases:" in page
    assert page.count("<tr>") > 5_000
    assert "came late" not in page


def test_losses_are_the_house_lines_of_totals(config: Path, capfd: pytest.CaptureFixture[str]) -> None:
    period = ("--config", str(config), "--period", "2026-11", "--format")
    assert status_of(["losses", *period, "json"]) == 0
    lost = json.loads(capfd.readouterr().out)
    assert status_of(["totals", *period, "json"]) == 0
    house = {one["account"]: one["pages"] for one in json.loads(capfd.readouterr().out)["house"]}
    (line,) = lost["lines"]
    assert {account: pages for account, pages in line["accounts"].items() if pages} == house
    assert (lost["before"], lost["seal"]["size"] > 0) == (None, True)
    assert status_of(["losses", *period, "csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capfd.readouterr().out, newline="")))
    assert sum(int(row["pages"]) for row in rows) == sum(house.values())
    assert status_of(["losses", *period, "table", "--by", "cause"]) == 0
    assert "what would help, the dearest first" in capfd.readouterr().out
