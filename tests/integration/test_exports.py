"""Exports of a journal through the command, their sidecar, and what many rows take of memory."""

from __future__ import annotations

import asyncio
import csv
import gc
import hashlib
import io
import json
import sys
from pathlib import Path

import openpyxl
import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.replay import replay_store
from pagereeve.cli import status_of
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.exports import duckdb_says
from tests.histories import PRINTER, SIMPLE, reading, started
from tests.integration.test_bench_short import bench
from tests.integration.test_cli import FACTS, RUN

SETTINGS = """
data_dir = "."
[site]
zone = "Europe/Berlin"
[[periods]]
name = "autumn"
from = "2026-09-07"
to = "2026-12-19"
"""


@pytest.fixture
async def config(tmp_path: Path) -> Path:
    """Settings beside a journal with a release of 5 pages, and 7 pages that nobody released."""
    journal = await SqlJournal.open(tmp_path / JOURNAL_NAME, SystemClock())
    try:
        for fact in FACTS:
            await journal.append(fact)
        await journal.observe(PRINTER, [RUN], reading(105, 200, 1012))
        await journal.append(started("r-1002", 300, "=basil", SIMPLE))
        await replay_store(journal, store=True)
    finally:
        await journal.close()
    path = tmp_path / "pagereeve.toml"
    path.write_text(SETTINGS)
    return path


def lines_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("by", ["person", "cost-centre", "printer", "day", "release"])
def test_every_grouping_adds_up_to_the_meter_and_says_what_it_was_made_from(config: Path, by: str) -> None:
    out = config.with_name("november.csv")
    asked = ["totals", "--config", str(config), "--period", "2026-11", "--by", by, "--output", str(out)]
    assert status_of(asked) == 0
    rows = lines_of(out)
    assert sum(int(row["pages"]) for row in rows if row["kind"] != "total") == 12
    assert [(row["kind"], row["account"], row["pages"]) for row in rows[-2:]] == [
        ("house", "house:stray", "7"),
        ("total", "meters", "12"),
    ]
    account = json.loads(out.with_name("november.csv.account.json").read_text())
    assert account["sha256"] == hashlib.sha256(out.read_bytes()).hexdigest()
    assert (account["rows"], account["adds_up"], account["by"]) == (len(rows), True, by)
    assert (account["period"]["zone"], account["period"]["zone_from"]) == ("Europe/Berlin", "settings")
    assert account["period"]["zone_database"].startswith("20")
    assert account["seal"]["size"] > 0
    assert set(rows[0]) == set(account["columns"])
    (line,) = account["accounts"]
    assert line["meter_end"] - line["meter_start"] == 12
    before = out.read_bytes()
    assert status_of(asked) == 0
    assert out.read_bytes() == before
    assert {one.name for one in config.parent.glob(".november*")} == set()


def test_where_the_sidecar_can_not_be_the_rows_do_not_appear(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = config.with_name("november.csv")
    out.write_text("october")
    out.with_name("november.csv.account.json").mkdir()
    asked = ["totals", "--config", str(config), "--period", "2026-11", "--output", str(out)]
    assert status_of(asked) == 2
    assert "november.csv.account.json: is a folder" in capsys.readouterr().err
    assert out.read_text() == "october"


def test_the_suffix_says_the_format_and_all_formats_say_the_same(config: Path) -> None:
    asked = ["totals", "--config", str(config), "--period", "autumn", "--by", "release", "--output"]
    outs = {form: config.with_name(f"term.{form}") for form in ("csv", "json", "xlsx", "parquet")}
    for out in outs.values():
        assert status_of([*asked, str(out)]) == 0
    plain = [(row["release"], row["kind"], int(row["pages"])) for row in lines_of(outs["csv"])]
    assert ("r-1001", "people", 5) in plain
    query = "select coalesce(release, ''), kind, pages from read_parquet(?)"
    assert duckdb_says(query, outs["parquet"]) == plain
    sheet = openpyxl.load_workbook(outs["xlsx"])["rows"]
    names = [cell.value for cell in sheet[1]]
    places = [names.index(name) for name in ("release", "kind", "pages")]
    assert [(row[places[0]] or "", row[places[1]], row[places[2]]) for row in sheet.values][1:] == plain
    body = json.loads(outs["json"].read_text())
    assert sum(one["pages"] for one in [*body["totals"], *body["house"]]) == body["total"][0]["pages"] == 12
    assert {path.name for path in config.parent.glob("*.account.json")} == {
        "term.csv.account.json",
        "term.parquet.account.json",
    }


def test_a_csv_for_a_language(config: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    asked = ["totals", "--config", str(config), "--period", "2026-11", "--format", "csv"]
    assert status_of([*asked, "--locale", "de"]) == 0
    raw = capsysbinary.readouterr().out
    assert raw.startswith(b"\xef\xbb\xbfperson;name;id;logins;kind;")
    assert b"\r\n'=basil;;;'=basil;people;" in raw
    assert status_of([*asked, "--locale", "de", "--no-bom", "--delimiter", "tab"]) == 0
    assert capsysbinary.readouterr().out.startswith(b"person\tname\tid\tlogins\tkind\t")


def test_a_table_shows_the_house_and_the_total(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert status_of(["totals", "--config", str(config), "--period", "2026-11", "--format", "table"]) == 0
    said = capsys.readouterr().out
    assert "house:stray" in said
    assert "TOTAL" in said
    assert "they add up to the total" in said
    assert "no zone is set" not in said
    folder = str(config.parent)
    assert status_of(["totals", "--data-dir", folder, "--period", "2026-11", "--format", "table"]) == 0
    assert "no zone is set" in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (["--by", "day"], "--period: has no beginning and no end"),
        (["--output", "november.xlsx", "--locale", "de"], "--locale: is for CSV, and this is written as xlsx"),
        (["--format", "json", "--no-bom"], "--bom: is for CSV, and this is written as json"),
        (["--format", "table", "--decimal", ","], "--decimal: is for CSV, and this is written as table"),
        (["--by", "day", "--format", "table", "--period", "2026-11"], "a table is for terminals"),
        (["--output", "november.ods"], "ends in none of csv, json, xlsx, parquet; say --format"),
        (["--period", "autum"], "or a name of [[periods]], as autumn"),
    ],
)
def test_what_can_not_be_made_is_refused(
    config: Path, more: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert status_of(["totals", "--config", str(config), *more]) == 2
    assert told in capsys.readouterr().err
    assert not config.with_name("november.ods").exists()


def test_a_year_of_days_is_listed_also_where_instants_begin_with_it(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["totals", "--config", str(config), "--by", "day", "--format", "csv"]
    assert status_of([*asked, "--period", "1970"]) == 0
    assert len(capsys.readouterr().out.splitlines()) == 1


@pytest.mark.filterwarnings("error")
def test_a_workbook_on_a_full_disk_is_one_error_and_nothing_else(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    ignored: list[object] = []
    gc.collect()  # what other tests left is theirs
    monkeypatch.setattr(sys, "unraisablehook", ignored.append)
    asked = ["totals", "--config", str(config), "--period", "2026-11", "--format", "xlsx", "--output", "/dev/full"]
    assert status_of(asked) == 2
    gc.collect()
    assert capsys.readouterr().err == "pagereeve: /dev/full: No space left on device\n"
    assert ignored == []


def test_without_the_extra_parquet_is_refused_by_name(
    config: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delitem(sys.modules, "pagereeve.reports.exports.parquet_file")
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    out = config.with_name("rows.parquet")
    assert status_of(["totals", "--config", str(config), "--output", str(out)]) == 2
    assert "pip install 'pagereeve[parquet]'" in capsys.readouterr().err
    assert not out.exists()


def test_memory_does_not_grow_with_the_releases_of_a_journal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(Path(__file__).parents[2] / "contrib" / "bench"))
    exports = bench("exports")
    few = asyncio.run(exports.peak_bytes(tmp_path, 400, "csv"))
    many = asyncio.run(exports.peak_bytes(tmp_path, 4_000, "csv"))
    assert many < 4 * few, f"10 times the rows took {many / few:.1f} times the memory"


def test_rows_on_stdout_are_the_same_as_in_a_file(config: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    asked = ["totals", "--config", str(config), "--period", "2026-11", "--format", "csv"]
    assert status_of(asked) == 0
    shown = capsysbinary.readouterr().out
    assert status_of([*asked, "--output", str(config.with_name("rows"))]) == 0
    assert config.with_name("rows").read_bytes() == shown
    assert len(list(csv.reader(io.StringIO(shown.decode())))) > 3


def test_a_terminal_sees_how_far_it_is(config: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    screen = _Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    for by, what in (("release", "releases"), ("day", "days")):
        out = str(config.with_name("rows.csv"))
        assert status_of(["totals", "--config", str(config), "--period", "2026-11", "--by", by, "--output", out]) == 0
        assert what in screen.getvalue()
    screen.truncate(0)
    out = str(config.with_name("rows.csv"))
    assert status_of(["totals", "--config", str(config), "--period", "2026-11", "--output", out]) == 0
    assert screen.getvalue().strip("\0") == ""


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_explain_findings_and_the_ledger_go_by_the_settings_zone(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = ["--config", str(config)]
    assert status_of(["explain", "r-1001", *settings]) == 0
    said = capsys.readouterr().out
    assert "Times are of Europe/Berlin." in said
    assert "2026-11-25 10:00:00.000+01:00" in said
    assert status_of(["explain", "r-1001", *settings, "--zone", "Asia/Tokyo"]) == 0
    assert "2026-11-25 18:00:00.000+09:00" in capsys.readouterr().out
    assert status_of(["findings", *settings]) == 1
    assert "2026-11-25 10:0" in capsys.readouterr().out
    assert status_of(["findings", "summary", "--period", "autumn", *settings]) == 0
    assert "from 2026-09-07 00:00:00+02:00 to just before 2026-12-19 00:00:00+01:00" in capsys.readouterr().out
    assert status_of(["ledger", "--period", "autumn", *settings]) == 0
    assert "house:stray" in capsys.readouterr().out


def test_a_bill_without_lines_is_no_bill_that_agrees(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bill = config.with_name("bill.csv")
    bill.write_text("serial,opening,opening_date,closing,closing_date\n")
    assert status_of(["supplier-bill", str(bill), "--config", str(config)]) == 1
    assert "The bill has no lines." in capsys.readouterr().out


def test_a_rate_card_begins_on_the_sites_day_whatever_zone_is_asked_for(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The release started at 10:00 of the card's first day; in Honolulu it was still the day before."""
    card = '[[rates]]\nname = "a"\ncurrency = "EUR"\nfrom = 2026-11-25\nprices = [{ price = "0.02" }]\n'
    config.write_text(SETTINGS + card)
    said = []
    for zone in ("Europe/Berlin", "Pacific/Honolulu"):
        asked = ["costs", "--config", str(config), "--period", "2026-11", "--format", "json", "--zone", zone]
        assert status_of(asked) == 0
        said.append(json.loads(capsys.readouterr().out)["totals"])
    assert said[0] == said[1] == [{"currency": "EUR", "amount": "0.10", "minor_units": 10, "left_over": "0.00"}]
