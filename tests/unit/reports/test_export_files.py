"""An export's formats, read back by programs that are not ours: openpyxl, DuckDB, csv, json."""

from __future__ import annotations

import csv
import io
import json
import tracemalloc
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import openpyxl
import pytest
from openpyxl.utils.escape import unescape
from pyarrow import parquet

from pagereeve.domain.accounts.export_rows import Adding, ExportBy, ExportRow, house_rows, people_row, release_row
from pagereeve.domain.accounts.periods import period_of
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod, EdgeStretch, PrinterAccounts
from pagereeve.domain.accounts.totals import Totals
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Charge, Grade, ReleaseKey, Stretch, Verdict
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.instants import SECOND_US, from_text
from pagereeve.ports.seal import SealHead
from pagereeve.reports.exports import parquet_file, xlsx_file
from pagereeve.reports.exports.account import Account, Made
from pagereeve.reports.exports.columns import FIGURES, columns_of
from pagereeve.reports.exports.csv_file import CsvFile, CsvForm, Locale
from pagereeve.reports.exports.json_file import JsonFile
from pagereeve.reports.exports.parquet_file import ParquetFile
from pagereeve.reports.exports.xlsx_file import XlsxFile
from tests.exports import duckdb_says, rows_as_csv

BERLIN = ZoneInfo("Europe/Berlin")
NOVEMBER = period_of("2026-11", BERLIN)
SEAL = SealHead("j-0123", 7, "ab" * 32, 0, 0)
# What a spreadsheet would run, turn into a date, or rob of its zeros.
OWNERS = ("00042", "3-12", "-2+3", "=1+2", "Jürgen Ößwald", "1e5", "")
STARTED_US = from_text("2026-11-10T09:00:00Z")


def charge(owner: str, nth: int, **changes: Any) -> Charge:
    key = ReleaseKey("/server", f"=r{nth}" if nth == 0 else f"r{nth}")
    at_us = STARTED_US + nth * SECOND_US
    given = Charge(
        "library", key, owner, "job", "total", Unit.IMPRESSIONS, at_us, None, at_us + 1, 5, 5, 5, 0, None,
        Grade.TIGHT, Verdict.AGREES,
    )  # fmt: skip
    return replace(given, **changes)


CHARGES = [charge(owner, nth) for nth, owner in enumerate(OWNERS)]
UNSAID = charge("basil", 20, released=None, counted=None, charged=0, verdict=None, grade=None)
CHARGED = sum(one.charged for one in CHARGES)


def accounts(shortfall: int = -12) -> AccountsOfPeriod:
    line = PrinterAccounts("library", "total", "impressions", 100, 100 + CHARGED + 3 + shortfall)
    line.meter_counted = CHARGED + 3 + shortfall
    line.received |= {"people": CHARGED, "stray": 3, "shortfall": shortfall}
    bracket = Stretch(
        "library", 1, "total", Unit.IMPRESSIONS, NOVEMBER.to_us - 5, NOVEMBER.to_us + 5, 1, 4, 3, (CHARGES[0].release,)
    )
    return AccountsOfPeriod((line,), (EdgeStretch(bracket, 2),))


def rows_of(by: ExportBy) -> list[ExportRow]:
    adding = Adding(accounts())
    charges = [*CHARGES, UNSAID]
    people = (
        map(release_row, charges) if by == "release" else map(people_row, Totals("person").add_all(charges).lines())
    )
    rows = [adding.add(row) for row in people]
    rows += [adding.add(row) for row in house_rows(accounts().lines, by)]
    assert adding.differences == {}
    return [*rows, *adding.totals()]


def made(by: ExportBy = "person") -> Made:
    return Made(NOVEMBER, by, SEAL, "2026f", "settings")


def workbook(by: ExportBy = "person", rows: Sequence[ExportRow] | None = None) -> bytes:
    file = io.BytesIO()
    writer = XlsxFile(file, columns_of(by, BERLIN), made(by))
    try:
        for row in rows_of(by) if rows is None else rows:
            writer.write(row)
    except BadQuestion:
        writer.abandon()
        raise
    writer.end(Account(accounts(), {}))
    return file.getvalue()


@pytest.mark.parametrize("by", ["person", "release"])
def test_a_workbook_holds_what_the_csv_holds_with_types(by: ExportBy) -> None:
    plain = list(csv.DictReader(io.StringIO(rows_as_csv(by, rows_of(by), zone=BERLIN).decode())))
    sheet = openpyxl.load_workbook(io.BytesIO(workbook(by)))["rows"]
    head, *body = sheet.iter_rows()
    names = [cell.value for cell in head]
    assert names == list(plain[0])
    kinds = {one.name: one.kind for one in columns_of(by, BERLIN)}
    types = {"text": "s", "whole": "n", "truth": "b"}
    for cells, line in zip(body, plain, strict=True):
        for name, cell in zip(names, cells, strict=True):
            shown = {"b": "yes" if cell.value else "no", "n": "" if cell.value is None else str(cell.value)}.get(
                cell.data_type, cell.value
            )
            assert shown in {line[name], line[name].removeprefix("'")}
            assert cell.value is None or cell.data_type == types[kinds[name]]
    assert sheet.freeze_panes == "A2"
    assert sheet.column_dimensions["A"].width > 20


def test_text_of_a_workbook_is_text_whatever_it_looks_like() -> None:
    sheet = openpyxl.load_workbook(io.BytesIO(workbook()))["rows"]
    cells = {cell.value: cell for cell in sheet["A"]}
    assert {owner for owner in OWNERS if owner} <= cells.keys()
    for owner in filter(None, OWNERS):
        assert (cells[owner].data_type, cells[owner].number_format) == ("s", "@")
    with zipfile.ZipFile(io.BytesIO(workbook())) as archive:
        assert b"<f>" not in b"".join(archive.read(name) for name in archive.namelist())
    at = [cell.value for cell in sheet[1]].index("pages")
    pages = [(row[4].value, row[5].value, row[at].value) for row in sheet.iter_rows(min_row=2)]
    assert ("house", "house:shortfall", -12) in pages


def test_a_workbook_explains_its_columns_and_how_it_adds_up() -> None:
    book = openpyxl.load_workbook(io.BytesIO(workbook()))
    assert book.sheetnames == ["rows", "account", "columns"]
    told = {row[0].value: row[1].value for row in book["columns"].iter_rows(min_row=2)}
    assert {one.name for one in columns_of("person", BERLIN)} <= told.keys()
    assert all(told.values())
    said = {row[0].value: row[1].value for row in book["account"].iter_rows(max_row=6)}
    assert said["time zone database"] == "2026f"
    assert said["head of the journal"] == f"7:{SEAL.head}"
    assert said["adds up"] == "yes"
    assert "Europe/Berlin" in said["period"]
    lines = [[cell.value for cell in row] for row in book["account"].iter_rows(min_row=8)]
    line = dict(zip(lines[0], lines[1], strict=True))
    assert line["meter end"] - line["meter start"] + line["meter restarts"] == line["people"] + line["stray"] - 12
    assert line["conserved"] is True
    assert lines[-1][:7] == ["library", "total", "impressions", *lines[-1][3:5], 3, 2]
    assert lines[-1][3].endswith("+01:00")


def test_the_same_rows_are_the_same_bytes_of_a_workbook() -> None:
    assert workbook() == workbook()


def test_more_rows_than_a_sheet_holds_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(xlsx_file, "ROWS_MAX", 4)
    with pytest.raises(BadQuestion, match=r"xlsx holds 3 rows, and there are more; use csv or parquet"):
        workbook(rows=rows_of("person")[:4])
    with pytest.raises(BadQuestion, match="there are more"):
        XlsxFile(io.BytesIO(), columns_of("release", BERLIN), made("release"), 4)


def test_a_name_with_what_xml_cannot_hold_is_made_visible() -> None:
    odd = replace(rows_of("person")[0], who="a\x01b\ufffec")
    sheet = openpyxl.load_workbook(io.BytesIO(workbook(rows=[odd])))["rows"]
    assert sheet["A2"].value == "a\\x01b\\ufffec"
    turned = replace(odd, who="a\u202eb\ud800")
    assert openpyxl.load_workbook(io.BytesIO(workbook(rows=[turned])))["rows"]["A2"].value == "a\\u202eb\\ud800"
    with pytest.raises(BadQuestion, match="characters a cell"):
        workbook(rows=[replace(odd, who="x" * 40_000)])


@pytest.mark.parametrize("name", ["A\u00a0B", "\u0645\u06cc\u200c\u0631\u0648\u0645", "👩\u200d💻", "_x0041_", " =x"])
def test_a_name_stays_as_it_is_written(name: str) -> None:
    row = replace(rows_of("person")[0], who=name)
    sheet = openpyxl.load_workbook(io.BytesIO(workbook(rows=[row])))["rows"]
    assert unescape(sheet["A2"].value) == name


@pytest.mark.parametrize("by", ["person", "release"])
def test_duckdb_reads_the_parquet_with_its_types(tmp_path: Path, by: ExportBy) -> None:
    path = tmp_path / "rows.parquet"
    with path.open("wb") as file:
        writer = ParquetFile(file, columns_of(by, BERLIN), made(by))
        for row in rows_of(by):
            writer.write(row)
        writer.end(Account(accounts(), {}))
    described = duckdb_says("describe select * from read_parquet(?)", path)
    types = {"text": "VARCHAR", "whole": "BIGINT", "truth": "BOOLEAN"}
    assert [(name, kind) for name, kind, *_ in described] == [
        (one.name, types[one.kind]) for one in columns_of(by, BERLIN)
    ]
    asked = "select sum(pages) filter (kind <> 'total'), sum(pages) filter (kind = 'total') from read_parquet(?)"
    assert duckdb_says(asked, path) == [(CHARGED - 9, CHARGED - 9)]
    who = duckdb_says("select person from read_parquet(?) where kind = 'people'", path)
    assert {(owner or None,) for owner in OWNERS} <= set(who) | {("",), (None,)}
    told = json.loads(parquet.read_schema(path).metadata[b"pagereeve"])
    assert (told["period"]["zone_database"], told["seal"]["head"]) == ("2026f", SEAL.head)


def test_missing_stays_missing_in_every_format(tmp_path: Path) -> None:
    # fusioninventory/fusioninventory-for-glpi#1858
    (row,) = [one for one in rows_of("person") if one.who == "basil"]
    house = next(one for one in rows_of("person") if one.kind == "house")
    for line in csv.DictReader(io.StringIO(rows_as_csv("person", [row, house]).decode())):
        assert (line["released"], line["counted"]) == ("", "")
        assert line["releases"] == ("1" if line["kind"] == "people" else "")
    sheet = openpyxl.load_workbook(io.BytesIO(workbook(rows=[row])))["rows"]
    names = [cell.value for cell in sheet[1]]
    assert sheet[2][names.index("counted")].value is None
    assert sheet[2][names.index("counted_unknown")].value == 1


@pytest.mark.parametrize("by", ["person", "release"])
def test_json_is_whole_whatever_its_rows(by: ExportBy) -> None:
    for rows in (rows_of(by), []):
        file = io.BytesIO()
        writer = JsonFile(file, by, made(by))
        for row in rows:
            writer.write(row)
        writer.end(Account(accounts(), {("total", ""): 2} if not rows else {}))
        body = json.loads(file.getvalue())
        assert body["adds_up"] is bool(rows)
        assert body["period"]["zone_from"] == "settings"
        assert body["seal"]["head"] == SEAL.head
        received = sum(one["pages"] for one in [*body["totals"], *body["house"]])
        assert received == sum(one["pages"] for one in body["total"])
        assert len(body["totals"]) == sum(row.kind == "people" for row in rows)
    assert body["differences"] == [{"channel": "total", "unit": None, "pages": 2}]


@pytest.mark.parametrize(
    ("locale", "delimiter", "figure"),
    [("de", ";", "22,5"), ("fr", ";", "22,5"), ("en", ",", "22.5"), ("de-CH", ";", "22.5")],
)
def test_a_locale_is_separator_and_decimal_sign_and_a_mark(locale: Locale, delimiter: str, figure: str) -> None:
    # opendidac/opendidac#681: 22.5 became 22 May.
    form = CsvForm.of(locale)
    assert (form.delimiter, form.cell(Decimal("22.5")), form.bom) == (delimiter, figure, True)
    raw = rows_as_csv("person", rows_of("person"), form)
    assert raw.startswith(b"\xef\xbb\xbfperson" + delimiter.encode())
    lines = list(csv.reader(io.StringIO(raw.decode("utf-8-sig")), delimiter=delimiter))
    assert {len(line) for line in lines} == {len(columns_of("person", BERLIN))}


def test_what_is_given_wins_over_the_locale() -> None:
    assert CsvForm.of("de", "tab", ".", bom=False) == CsvForm("tab", ".", bom=False)
    assert CsvForm.of() == CsvForm()
    assert rows_as_csv("person", [], CsvForm.of(None, "tab")).startswith(b"person\tname\tid\tlogins\tkind\taccount")


def test_only_text_that_a_spreadsheet_would_run_is_guarded_and_figures_never() -> None:
    # grafana/grafana#17363: -12 stays -12, and a name -2+3 is guarded.
    raw = rows_as_csv("person", rows_of("person")).decode()
    names = [line.partition(",")[0] for line in raw.splitlines()[1:]]
    assert set(names) == {"00042", "3-12", "'-2+3", "'=1+2", "Jürgen Ößwald", "1e5", "", "basil"}
    assert ",house:shortfall,,total,impressions,yes,,,,,,,,-12," in raw
    assert raw.endswith("\r\n")


def test_every_column_says_what_it_holds_and_pages_add_up() -> None:
    for by in ("person", "cost-centre", "printer", "day", "release"):
        columns = columns_of(by, BERLIN)
        assert len({one.name for one in columns}) == len(columns)
        assert all(one.about for one in columns)
        assert set(FIGURES) <= set(columns)


def peak_bytes(kind: str, many: int) -> int:
    """While so many rows are written, beside what is there before."""
    row, columns, file = rows_of("release")[1], columns_of("release", BERLIN), _Nowhere()
    tracemalloc.start()
    try:
        makers: dict[str, Callable[[], Any]] = {
            "csv": lambda: CsvFile(file, columns, CsvForm()),
            "json": lambda: JsonFile(file, "release", made("release")),
            "xlsx": lambda: XlsxFile(file, columns, made("release")),
            "parquet": lambda: ParquetFile(file, columns, made("release")),
        }
        writer = makers[kind]()
        tracemalloc.reset_peak()
        for _ in range(many):
            writer.write(row)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
        writer.abandon()


class _Nowhere(io.BytesIO):
    def write(self, raw: Any) -> int:
        return len(raw)


@pytest.mark.parametrize("kind", ["csv", "json", "xlsx", "parquet"])
def test_memory_does_not_grow_with_the_rows(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    # A group is what is held at most; here it is full in both.
    monkeypatch.setattr(parquet_file, "GROUP_ROWS", 50)
    peak_bytes(kind, 100)
    few, more = peak_bytes(kind, 100), peak_bytes(kind, 1_600)
    assert more < 4 * few, f"16 times the rows took {more / few:.1f} times the memory"
