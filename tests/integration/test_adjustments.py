"""What comes after a close stands in the open period, and the next close takes it over: from the command line."""

from __future__ import annotations

import asyncio
import json
from collections import Counter
from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from pagereeve.app import closing
from pagereeve.app.clocks import SystemClock
from pagereeve.app.replay import replay_store
from pagereeve.domain.ledger import RowSegment
from pagereeve.domain.projection.resume_point import PROJECTION_VERSION
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.exports import duckdb_says
from tests.integration.test_closing import AFTER_US, AS_CSV, DAY, close, run
from tests.integration.test_exports import SETTINGS, lines_of
from tests.late_releases import PAGES, notices, observe, printer_name

NEXT, LAST = "2026-11-26", "2026-11-27"
PRINTERS, RELEASES = 2, 10
FIRST, REST = range(8), range(8, RELEASES)
UNSEEN = 3
"""Releases of a printer whose readings come late too: its meter counted, and nobody knew."""


@pytest.fixture(autouse=True)
def after_the_days(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(SystemClock, "now_us", lambda _: AFTER_US)


@pytest.fixture
async def config(tmp_path: Path) -> Path:
    """Settings beside a journal of printers whose pages nobody has released, as far as is known."""
    async with _written(tmp_path) as journal:
        for nth in range(PRINTERS):
            await observe(journal, printer_name(nth), RELEASES)
    path = tmp_path / "pagereeve.toml"
    path.write_text(SETTINGS)
    return path


@asynccontextmanager
async def _written(folder: Path) -> AsyncIterator[SqlJournal]:
    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    try:
        yield journal
        await replay_store(journal, store=True)
    finally:
        await journal.close()


async def _come_late(folder: Path, releases: Iterable[int], *, unseen: bool = False) -> None:
    async with _written(folder) as journal:
        for nth in range(PRINTERS):
            await journal.append_together(notices(printer_name(nth), releases))
        if unseen:
            await observe(journal, printer_name(PRINTERS), UNSEEN)


def come_late(config: Path, releases: Iterable[int] = (), *, unseen: bool = False) -> None:
    asyncio.run(_come_late(config.parent, list(releases), unseen=unseen))


def files_of(config: Path, place: str, day: str, kinds: list[tuple[str, str]]) -> dict[str, bytes]:
    folder = config.parent / place
    folder.mkdir()
    for by, kind in kinds:
        assert run(config, "totals", "--period", day, "--by", by, "--output", str(folder / f"{by}.{kind}")) == 0
    return {one.name: one.read_bytes() for one in sorted(folder.iterdir())}


def changed(config: Path, capsys: pytest.CaptureFixture[str], status: int, *more: str) -> list[dict[str, Any]]:
    capsys.readouterr()
    assert run(config, "changed", "--json", *more) == status
    shown: list[dict[str, Any]] = json.loads(capsys.readouterr().out)
    return shown


def pages_of(found: list[dict[str, Any]]) -> dict[tuple[str, ...], int]:
    sums: Counter[tuple[str, ...]] = Counter()
    for one in found:
        sums[one["printer"], one["channel"], one["account"], one["release"] or ""] += one["pages"]
    return {key: pages for key, pages in sums.items() if pages}


FEW = [("person", "csv"), ("release", "json")]
EACH = [*AS_CSV, ("release", "json"), ("person", "json"), ("person", "xlsx"), ("release", "parquet")]


def test_late_facts_stand_in_the_open_period_and_its_close_takes_them_over(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    close(config)
    closed = files_of(config, "closed", DAY, FEW)
    come_late(config, FIRST, unseen=True)
    found = changed(config, capsys, 1)
    assert {(one["corrects"], one["state"]) for one in found} == {(DAY, "outstanding")}
    people = sum(pages for (_, _, account, _), pages in pages_of(found).items() if account.startswith("person:"))
    assert people == PRINTERS * len(FIRST) * PAGES
    still_open = files_of(config, "open", NEXT, EACH)
    _require_adding_up(config.parent / "open", found)
    assert run(config, "close", NEXT, "--despite", "a jam") == 0
    assert changed(config, capsys, 0) == []
    taken = changed(config, capsys, 0, "--since", DAY)
    assert {(one["state"], one["taken_over_by"]) for one in taken} == {("taken-over", NEXT)}
    assert pages_of(taken) == pages_of(found)
    files = files_of(config, "next", NEXT, [*AS_CSV, ("release", "json")])
    csvs = [f"{by}.csv" for by, _ in AS_CSV]
    assert [files[name] for name in csvs] == [still_open[name] for name in csvs]
    come_late(config, REST)
    more = changed(config, capsys, 1)
    assert run(config, "close", LAST, "--despite", "a jam") == 0
    assert changed(config, capsys, 0) == []
    taken = changed(config, capsys, 0, "--since", DAY)
    assert [one["taken_over_by"] for one in taken] == sorted(one["taken_over_by"] for one in taken)
    assert pages_of(taken) == pages_of([*found, *more])
    assert files_of(config, "closed-again", DAY, FEW) == closed
    again = files_of(config, "next-again", NEXT, FEW)
    assert again == {name: files[name] for name in again}


def _require_adding_up(folder: Path, found: list[dict[str, Any]]) -> None:
    """In every format, however it is grouped: all rows add up to the total, adjustments to what the meter counted
    otherwise.
    """
    meters = -sum(one["pages"] for one in found if one["account"].startswith("meter:"))
    assert meters == UNSEEN * PAGES
    for by, _ in AS_CSV:
        rows = lines_of(folder / f"{by}.csv")
        sums: Counter[str] = Counter()
        for row in rows:
            sums[row["kind"]] += int(row["pages"])
        assert sums["people"] + sums["house"] + sums["decision"] + sums["adjustment"] == sums["total"]
        assert sums["adjustment"] == meters
        corrects = {row["kind"] == "adjustment": row["corrects"] for row in rows}
        assert corrects == {False: "", True: DAY}
        [told] = json.loads((folder / f"{by}.csv.account.json").read_text())["adjusted"]
        assert (told["corrects"], told["people"] + told["house"], told["meters"]) == (DAY, meters, meters)
    wanted = pages_of([one for one in found if not one["account"].startswith("meter:")])
    by_release = lines_of(folder / "release.csv")
    shown: Counter[tuple[str, ...]] = Counter()
    for row in by_release:
        if row["kind"] == "adjustment":
            account = f"person:{row['person']}" if row["account"] == "people" else row["account"]
            shown[row["printer"], row["channel"], account, row["release"]] += int(row["pages"])
    assert shown == wanted
    body = json.loads((folder / "release.json").read_text())
    assert sum(one["pages"] for one in body["adjustments"]) == meters
    assert {one["corrects"] for one in body["adjustments"]} == {DAY}
    asked = "select count(*), sum(pages) from read_parquet(?) where kind = 'adjustment' and corrects = '2026-11-25'"
    assert duckdb_says(asked, folder / "release.parquet") == [(len(body["adjustments"]), meters)]
    sheet = openpyxl.load_workbook(folder / "person.xlsx")["rows"]
    heads, *cells = [[cell.value for cell in row] for row in sheet.rows]
    of_sheet = [dict(zip(heads, row, strict=True)) for row in cells]
    assert sum(row["pages"] for row in of_sheet if row["kind"] == "adjustment") == meters


def test_the_table_names_the_period_that_is_corrected_and_other_periods_show_nothing_of_it(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    close(config)
    come_late(config, FIRST, unseen=True)
    capsys.readouterr()
    assert run(config, "totals", "--period", NEXT, "--format", "table") == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert f"(adjusts {DAY})" in shown
    assert "by how much they counted otherwise there" in shown
    for other in (LAST, DAY, "2026-11"):
        assert run(config, "totals", "--period", other, "--format", "table") == 0
        assert "adjusts" not in capsys.readouterr().out


def test_an_erased_persons_name_is_gone_from_what_a_close_took_over(config: Path) -> None:
    close(config)
    come_late(config, FIRST, unseen=True)
    assert run(config, "close", NEXT, "--despite", "a jam") == 0
    before = files_of(config, "before", NEXT, AS_CSV)
    assert any(b"owner-3" in before[f"{by}.csv"] for by, _ in AS_CSV)
    assert run(config, "erase", "owner-3", "--yes") == 0
    after = files_of(config, "after", NEXT, [("person", "csv"), ("release", "csv")])
    assert b"owner-3," not in after["person.csv"]
    assert [
        row["person"] for row in lines_of(config.parent / "after" / "release.csv") if row["person"] == "late-3"
    ] == []
    assert run(config, "changed") == 0


async def _as_older_rules_had_it(folder: Path) -> None:
    """Rules that posted stray pages as surplus."""

    def older(segment: RowSegment) -> RowSegment:
        names = {"house:stray": "house:surplus"}
        postings = tuple(
            replace(one, legs=tuple((names.get(account, account), pages) for account, pages in one.legs))
            for one in segment.postings
        )
        return replace(segment, postings=postings)

    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    try:
        for printer in await journal.printers():
            await journal.replace(printer, None, [older(one) for one in await journal.segments(printer)])
    finally:
        await journal.close()


def test_what_the_programs_own_rules_change_is_told_apart_and_posts_nothing(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as older:
        older.setattr(closing, "PROJECTION_VERSION", PROJECTION_VERSION - 1)
        asyncio.run(_as_older_rules_had_it(config.parent))
        close(config)
    come_late(config)
    own = changed(config, capsys, 0)
    assert {one["state"] for one in own} == {"program"}
    pages = RELEASES * PAGES
    of_each = {(printer_name(nth), "total"): pages for nth in range(PRINTERS)}
    assert pages_of(own) == {
        (*key, account, ""): sign * pages
        for key, pages in of_each.items()
        for account, sign in (("house:stray", 1), ("house:surplus", -1))
    }
    files_of(config, "quiet", NEXT, AS_CSV)
    assert all(row["kind"] != "adjustment" for row in lines_of(config.parent / "quiet" / "printer.csv"))
    come_late(config, FIRST, unseen=True)
    both = changed(config, capsys, 1)
    late = [one for one in both if one["state"] == "outstanding"]
    assert pages_of([one for one in both if one["state"] == "program"]) == pages_of(own)
    files_of(config, "open", NEXT, EACH)
    _require_adding_up(config.parent / "open", late)
    assert run(config, "close", NEXT, "--despite", "a jam") == 0
    rest = changed(config, capsys, 0)
    assert {one["state"] for one in rest} == {"program"}
    assert pages_of(rest) == pages_of(own)
    taken = [one for one in changed(config, capsys, 0, "--since", DAY) if one["state"] == "taken-over"]
    assert pages_of(taken) == pages_of(late)
    come_late(config, REST)
    later = changed(config, capsys, 1)
    assert pages_of([one for one in later if one["state"] == "program"]) == pages_of(own)


def statement(config: Path, of: str, name: str, *more: str) -> dict[str, Any]:
    out = config.parent / f"{of}-{name or 'none'}{len(more)}.json"
    assert run(config, "statement", of, name, "--period", NEXT, "--output", str(out), *more) == 0
    shown: dict[str, Any] = json.loads(out.read_text())
    return shown


def test_statements_of_the_open_period_show_what_is_corrected_and_name_nobody_else(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    close(config)
    come_late(config, FIRST)
    mine = statement(config, "person", "owner-3")["adjustments"]
    assert [(one["corrects"], one["release"], one["pages"]) for one in mine] == [
        (DAY, f"{printer_name(nth)}-0-3", PAGES) for nth in range(PRINTERS)
    ]
    printer = statement(config, "printer", printer_name(0))["adjustments"]
    sums: Counter[str] = Counter()
    for one in printer:
        sums[one["account"]] += one["pages"]
    assert sums == {"people": len(FIRST) * PAGES, "house:stray": -len(FIRST) * PAGES}
    assert "owner-" not in json.dumps(printer)
    named = statement(config, "printer", printer_name(0), "--names")["adjustments"]
    assert {one["person"] for one in named} == {None, *(f"owner-{nth}" for nth in FIRST)}
    centre = statement(config, "cost-centre", "")["adjustments"]
    assert sum(one["pages"] for one in centre) == PRINTERS * len(FIRST) * PAGES
    page = config.parent / "owner.html"
    assert run(config, "statement", "person", "owner-3", "--period", NEXT, "--output", str(page)) == 0
    assert "Adjustments of closed periods" in page.read_text()
    capsys.readouterr()
    assert run(config, "statement", "person", "owner-3", "--period", NEXT) == 0
    assert "it stands in no other sum of this statement" in " ".join(capsys.readouterr().out.split())
