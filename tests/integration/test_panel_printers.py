"""A printer without a meter that can be asked: releases, noted figures, totals, statement, close, doctor, metrics."""

from __future__ import annotations

import asyncio
import csv
import io
import json
import re
from pathlib import Path
from typing import Final

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.replay import replay_store
from pagereeve.cli import status_of
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Grade
from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.settings import load_settings
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.histories import PRINTER, SIMPLE, at, ended, policy, started
from tests.integration.daemon import Outside, until
from tests.noted_readings import noted

SETTINGS: Final = """
data_dir = "{folder}"

[http]
listen = "127.0.0.1:0"

[policy]
settle = "100ms"
first_page_floor = "0s"
unmoved_wait = "1s"

[[printers]]
name = "cellar"
meter = "panel"
unit = "impressions"
serial = "C-1"
"""
# What the daemon in this process logs meanwhile.
LOGGED: Final = re.compile(r"^\d{4}-\d\d-\d\d \d\d:\d\d:\d\d \[.*\n", re.MULTILINE)


class Site:
    """Commands in this process, with a settings file."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        (folder / "data").mkdir(parents=True)
        file = folder / "pagereeve.toml"
        file.write_text(SETTINGS.format(folder=folder / "data"))
        self.file, self.place = file, ("--config", str(file))
        self.capsys = capsys

    async def run(self, *words: str, status: int | None = 0) -> str:
        self.capsys.readouterr()
        came = await asyncio.to_thread(status_of, [*words, *self.place])
        said = self.capsys.readouterr()
        assert status is None or came == status, (came, said.out, said.err)
        return LOGGED.sub("", said.err if came == 2 else said.out)

    async def note(self, figure: int, at_us: int, *more: str, status: int = 0) -> str:
        return await self.run("note-reading", "cellar", str(figure), "--at", to_text(at_us), *more, status=status)

    async def rows(self) -> list[dict[str, str]]:
        return list(csv.DictReader(io.StringIO(await self.run("totals", "--format", "csv", "--by", "person"))))


async def test_noted_figures_are_the_only_meter_and_everything_adds_up(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site, clock = Site(tmp_path, capsys), SystemClock()
    async with App(load_settings(site.file), first_reads_spread_s=0.0) as app, Outside(app) as outside:
        assert "no figure of a panel is noted: cellar" in await site.run("doctor", status=None)
        await site.note(1_000, clock.now_us())
        for release, pages in (("r-1", 5), ("r-2", 7)):
            assert (await outside.started(release, "cellar", pages)).status_code == 200
            assert (await outside.ended(release)).status_code == 200
        await asyncio.sleep(0.3)
        second_us = clock.now_us()
        said = await site.note(1_012, second_us)
        assert "Beside the meter: no reading of a meter around then." in said

        charge = await outside.closed_charge("r-2")
        assert (charge.charged, charge.grade) == (7, Grade.WIDE)
        assert "read-from-panel" in charge.reasons
        assert "1011 is below 1012" in await site.note(1_011, clock.now_us(), status=2)
        assert re.search(r'pagereeve_meter_by_panel\{[^}]*printer="cellar"[^}]*\} 1', await outside.metrics())
        rows = await site.rows()
        total = next(int(row["pages"]) for row in rows if row["kind"] == "total")
        assert total == 12 == sum(int(row["pages"]) for row in rows if row["kind"] != "total")
        assert "read from the panel: 1012 (total)" in await site.run("explain", "r-2")
        assert "no better than they are" in await site.run("explain", "r-2")
        assert "is counted by noted figures: cellar (last " in await site.run("doctor", status=None)
        statement = json.loads(await site.run("statement", "printer", "cellar", "--period", "2026", "--format", "json"))
        assert len(statement["releases"]) == 2
        await wrong_figures_are_a_glitch_and_a_fact(site, outside, second_us)
    await site.run("replay", "--check")
    checked = await site.run("printers", "check")
    assert "panel, not asked" in checked
    assert "has no meter that can be asked" in await site.run("prove", "cellar", status=2)
    assert "has no meter that can be asked" in await site.run("read", "--printer", "cellar", status=None)


async def wrong_figures_are_a_glitch_and_a_fact(site: Site, outside: Outside, second_us: int) -> None:
    """A figure that was noted wrongly is taken back, and the row that it gave goes with it."""
    said = await site.note(1_015, second_us + SECOND_US // 10)

    async def stray() -> bool | None:
        rows = await site.rows()
        return True if any(row["account"] == "house:stray" and row["pages"] == "3" for row in rows) else None

    await until(stray, "the stray pages")
    await site.run("note-reading", "--void", said.split("; id ")[1].split(".\n")[0])

    async def gone() -> bool | None:
        return True if not await stray() else None

    await until(gone, "the stray pages to go")
    assert outside.app is not None


PAST: Final = (
    policy(value=Policy(panel_unit=Unit.IMPRESSIONS)),
    noted(PRINTER, "n-1", at(-60), 1_000),
    started("r-1", 0, "anise", SIMPLE),
    ended("r-1", 6),
    noted(PRINTER, "n-2", at(3_600), 1_005),
    noted(PRINTER, "n-3", at(30 * 3_600), 1_005),
)


async def test_a_day_of_noted_figures_is_closed_and_a_late_figure_is_an_adjustment(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    journal = await SqlJournal.open(tmp_path / JOURNAL_NAME, SystemClock())
    try:
        for fact in PAST:
            await journal.append(fact)
        await replay_store(journal, store=True)
    finally:
        await journal.close()
    site = Site(tmp_path / "settings", capsys)
    site.place = ("--data-dir", str(tmp_path))
    assert "Closed: " in await site.run("close", "2026-11-25")
    # Somebody finds the figure of half an hour later: the release was shown as five pages, and two came then.
    await site.run("note-reading", PRINTER, "1003", "--at", to_text(at(1_800)))
    changed = await site.run("changed", status=1)
    assert "r-1" in changed
    assert "house:stray" in changed
