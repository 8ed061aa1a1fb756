"""The short form of contrib/drill/college_year.py; what it exports, recomputed by DuckDB and checked by beancount."""

from __future__ import annotations

import asyncio
import json
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import duckdb
import pytest
from beancount import loader
from beancount.core import realization

sys.path.insert(0, str(Path(__file__).parents[2] / "contrib" / "drill"))

import college_year
import spreadsheets
from year_facts import Size

SIZE = Size(printers=4, releases=3_000, persons=60, centres=6, length=4)
FIRST, LAST = "2025-01", "2025-04"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("college")


@pytest.fixture(scope="module")
def year(folder: Path) -> college_year.Outcome:
    return college_year.live_through(SIZE, folder)


def asked(folder: Path, query: str, **files: str) -> list[tuple[Any, ...]]:
    """``query`` names exports, as the views that these keywords are."""
    with duckdb.connect() as database:
        for name, file in files.items():
            typed = "header = true, all_varchar = true"
            database.execute(f"create view {name} as select * from read_csv('{folder / file}', {typed})")
        return database.execute(query).fetchall()


def test_each_close_costs_the_same_and_what_is_closed_stays(year: college_year.Outcome) -> None:
    """The drill wants less growth; on a busy machine, of so few, only what grows with the year's length is caught."""
    assert year.failures(4.0) == []
    assert len(year.closed) == SIZE.length
    assert sum(one.releases for one in year.closed) > SIZE.releases // 4
    assert college_year.table(year.closed).count("\n") == SIZE.length


@pytest.mark.parametrize("month", [FIRST, LAST])
@pytest.mark.usefixtures("year")
@pytest.mark.parametrize(
    ("by", "who", "matches"),
    [
        ("person", "person", "list_contains(string_split(part.logins, ', '), release.person)"),
        ("printer", "printer", "part.printer = release.printer"),
        ("day", "day", "part.day = release.started[:10]"),
    ],
)
def test_duckdb_adds_up_the_releases_to_the_same_totals(
    folder: Path, month: str, by: str, who: str, matches: str
) -> None:
    query = f"""
        select part.{who}, part.channel, part.unit, any_value(part.pages::bigint), sum(release.pages::bigint),
               any_value(part.releases::bigint), count(*), any_value(part.unproven::bigint),
               sum(release.unproven::bigint)
        from part left join release on {matches} and part.channel = release.channel and part.unit = release.unit
                                   and release.kind = 'people'
        where part.kind = 'people' group by all
    """
    found = asked(folder, query, part=f"before/{month}-{by}.csv", release=f"before/{month}-release.csv")
    assert len(found) > 3
    for name, _, _, *figures in found:
        assert figures[::2] == figures[1::2], name
    whole = "select count(*), sum(pages::bigint) from release where kind = 'people'"
    [(releases, pages)] = asked(folder, whole, release=f"before/{month}-release.csv")
    assert (sum(row[5] for row in found), sum(row[3] for row in found)) == (releases, pages)


@pytest.mark.parametrize("by", college_year.BYS)
@pytest.mark.usefixtures("year")
def test_duckdb_finds_the_same_in_house_accounts_and_the_meters_however_it_is_grouped(folder: Path, by: str) -> None:
    query = "select channel, account, sum(pages::bigint) from part where kind <> 'people' group by all order by all"
    as_printers = asked(folder, query, part=f"before/{FIRST}-printer.csv")
    assert asked(folder, query, part=f"before/{FIRST}-{by}.csv") == as_printers
    assert {"house:stray", "house:surplus", "meters"} <= {row[1] for row in as_printers}


@pytest.mark.usefixtures("year")
def test_beancount_accepts_a_closed_month_and_it_holds_what_was_closed_whatever_came_since(folder: Path) -> None:
    settings = ["--config", str(folder / "pagereeve.toml")]
    out = folder / "january.beancount"
    assert college_year.said(["ledger", *settings, "--period", FIRST, "--out", str(out)])[0] == 0
    entries, errors, _ = loader.load_file(str(out))
    assert errors == []
    held: Counter[str] = Counter()
    for account in realization.iter_children(realization.realize(entries), leaf_only=True):
        for position in account.balance.get_positions():
            held[account.account.split(":")[1]] += int(position.units.number)
    ours = _closed(folder)
    assert held == ours
    assert ours["People"] + ours["House"] == -ours["Meter"] > 0
    since = _since(settings)
    assert any(pages for _, pages in since)
    assert sum(pages for _, pages in since) == 0  # what one gets another gives


def _closed(folder: Path) -> Counter[str]:
    query = "select kind, sum(pages::bigint) from part group by all"
    sums = dict(asked(folder, query, part=f"before/{FIRST}-printer.csv"))
    return Counter({"People": sums["people"], "House": sums["house"], "Meter": -sums["total"]})


def _since(settings: Sequence[str]) -> list[tuple[str, int]]:
    _, text = college_year.said(["changed", *settings, "--since", FIRST, "--json"])
    adjustments = json.loads(text)
    assert adjustments
    return [("House" if one["account"].startswith("house:") else "People", one["pages"]) for one in adjustments]


def test_a_close_that_grows_with_the_year_is_found_out() -> None:
    def close(month: int, cpu_s: float, peak_bytes: int = 10**8) -> college_year.Closed:
        return college_year.Closed(f"2025-{month:02}", 1_000 if month != 8 else 10, 1, cpu_s, cpu_s, peak_bytes)

    flat = [close(month, 1.0) for month in range(1, 13)]
    slower = [close(month, 1.0 + month / 2) for month in range(1, 13)]
    larger = [close(month, 1.0, month * 10**8) for month in range(1, 13)]
    assert college_year.Outcome(flat, [], 1).failures(1.5) == []
    assert ["costs" in one for one in college_year.Outcome(slower, [], 1).failures(1.5)] == [True]
    assert ["memory" in one for one in college_year.Outcome(larger, [], 1).failures(1.5)] == [True]
    assert len(college_year.Outcome(flat, ["a month does not add up"], 0).failures(1.5)) == 2


STAND_IN = """#!{python}
import csv, pathlib, sys
import openpyxl
out, book = pathlib.Path(sys.argv[sys.argv.index("--outdir") + 1]), pathlib.Path(sys.argv[-1])
out.mkdir(exist_ok=True)
with (out / (book.stem + ".csv")).open("w", encoding="utf-8", newline="") as file:
    for row in openpyxl.load_workbook(book).worksheets[0].values:
        cells = ["" if one is None else str(one).upper() if isinstance(one, bool) else one for one in row]
        csv.writer(file).writerow([{cell} for one in cells])
"""


def test_the_drill_of_spreadsheets_judges_what_a_spreadsheet_shows(tmp_path: Path) -> None:
    """By a stand-in for LibreOffice, which is too large to be installed for a check."""
    month = asyncio.run(spreadsheets.fill(tmp_path))
    stand_in = tmp_path / "soffice"
    for cell, wrong in (("one", 0), ("'3' if one == '=1+2' else one", 2)):
        stand_in.write_text(STAND_IN.format(python=sys.executable, cell=cell), encoding="utf-8")
        stand_in.chmod(0o700)
        found = spreadsheets.differing(tmp_path, month, "person", str(stand_in))
        assert ["'3' for \"'=1+2\"" in one for one in found] == [True] * wrong
