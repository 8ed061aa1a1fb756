"""Figures that people read from panels: noted beside a daemon and without one, taken back, listed, refused."""

from __future__ import annotations

import asyncio
import json
import re
from pathlib import Path
from typing import Any, Final

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.replay import replay_store
from pagereeve.cli import status_of
from pagereeve.domain.facts.events import READING_NOTED
from pagereeve.domain.facts.noted_reading import READINGS_SOURCE
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import to_text
from pagereeve.feeds.local.peer import this_user
from pagereeve.ports.intake import Envelope
from pagereeve.settings import PrinterSettings
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.histories import PRINTER, SIMPLE, at, ended, policy, reading, started
from tests.integration.daemon import hasty_settings

FACTS = (
    policy(),
    reading(-1800, -2, 1000, count=4),
    started("r-1", 0, "anise", SIMPLE),
    ended("r-1", 6),
    reading(9, 60, 1005, count=9),
    reading(900, 960, 1012, count=9),
)


async def journal_of(folder: Path) -> None:
    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    try:
        for fact in FACTS:
            await journal.append(fact)
        await journal.observe(PRINTER, [], reading(1000, 2000, 1012))
        await replay_store(journal, store=True)
    finally:
        await journal.close()


# What the daemon in this process logs meanwhile.
LOGGED: Final = re.compile(r"^\d{4}-\d\d-\d\d \d\d:\d\d:\d\d \[.*\n", re.MULTILINE)


class Site:
    """Commands in this process: the daemon of a test is asked as by any other user."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.place = ("--data-dir", str(folder))
        self.capsys = capsys

    async def run(self, *words: str, status: int = 0) -> str:
        self.capsys.readouterr()
        came = await asyncio.to_thread(status_of, [*words, *self.place])
        said = self.capsys.readouterr()
        assert came == status, (said.out, said.err)
        return LOGGED.sub("", said.err if status == 2 else said.out)

    async def note(self, figure: str, seconds: float, *more: str, status: int = 0) -> str:
        return await self.run("note-reading", PRINTER, figure, "--at", to_text(at(seconds)), *more, status=status)

    async def listed(self, status: int = 0) -> list[dict[str, Any]]:
        return list(json.loads(await self.run("noted-readings", "--json", status=status)))


def name_in(said: str) -> str:
    return said.split("; id ")[1].split(".\n", maxsplit=1)[0]


@pytest.mark.parametrize("daemon", [False, True], ids=["no daemon", "daemon"])
async def test_a_figure_is_noted_listed_and_taken_back_and_no_row_changes(
    tmp_path: Path, daemon: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    await journal_of(tmp_path)
    if not daemon:
        await noted_and_taken_back(Site(tmp_path, capsys))
        return
    printer = PrinterSettings(name=PRINTER, host="127.0.0.1", port=9)
    async with App(hasty_settings(tmp_path, (printer,)), first_reads_spread_s=0.0):
        await noted_and_taken_back(Site(tmp_path, capsys))


async def noted_and_taken_back(site: Site) -> None:
    before = await site.run("totals", "--format", "csv")
    assert await site.listed() == []
    await site.note("1003", 4)
    said = await site.note("1008", 500, "--text", "status page")
    assert f"Noted: the panel of {PRINTER} showed 1008 (total) at 2026-11-25 09:08:20+00:00; id " in said
    assert "Beside the meter: agrees with the meter (1005 to 1012). It is a witness beside the meter" in said
    far = await site.note("1100", 1100)
    assert "88 pages more than the most that the meter showed around then (1012)" in far
    early, first, second = await site.listed(status=1)
    assert early["figure"] == 1003
    assert (first["figure"], first["off"], first["by"], first["text"]) == (1008, 0, this_user().name, "status page")
    assert (second["off"], second["taken_back"], second["meter_after"]["figure"]) == (88, None, 1012)
    assert "read from the panel: 1003 (total); agrees with the meter (1000 to 1005)" in await shown(site)
    back = await site.run("note-reading", "--void", name_in(far), "--text", "of the printer beside it")
    assert back.startswith(f"Taken back: {name_in(far)}; id ")
    again = await site.run("note-reading", "--void", name_in(far), status=2)
    assert "was taken back already" in again
    _, _, second = await site.listed()
    assert (second["taken_back_by"], second["taken_back_text"]) == (this_user().name, "of the printer beside it")
    assert "taken back by" in await site.run("noted-readings")
    assert await site.run("totals", "--format", "csv") == before
    await site.run("replay", "--check")


async def shown(site: Site) -> str:
    return await site.run("explain", "r-1")


REFUSED: Final = (
    (("nowhere", "1008", "--at", to_text(at(500))), "'nowhere' is no printer of the settings"),
    ((PRINTER, "1008", "--at", "2099-01-01T00:00"), "lies in the future"),
    ((PRINTER, "1008", "--at", "2020-01-01T00:00"), "is before the journal's first fact"),
    ((PRINTER, "-5", "--at", to_text(at(500))), "whole number"),
    ((PRINTER, "48211.5"), "'48211.5' is no whole number of pages"),
    ((PRINTER, "48,211"), "'48,211' is no whole number of pages"),
    ((PRINTER,), "FIGURE: is missing"),
    ((PRINTER, "9" * 30), "is more than any meter counts"),
    ((PRINTER, "10", "--channel", "colour", "--at", to_text(at(500))), "has no channel 'colour'; it has total"),
    ((PRINTER, "10", "--channel", "toner", "--at", to_text(at(500))), "must be one of total, mono"),
    ((PRINTER, "482110", "--at", to_text(at(500))), "can't be of this meter, which showed 1005 to 1012"),
    (("--void", "n-9"), "'n-9' is no noted reading; pagereeve noted-readings lists them"),
    ((PRINTER, "--void", "n-9"), "names the whole reading"),
)


async def test_what_can_not_be_a_reading_is_refused_with_a_reason(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    await journal_of(tmp_path)
    site = Site(tmp_path, capsys)
    for words, why in REFUSED:
        assert why in await site.run("note-reading", *words, status=2)
    assert await site.listed() == []


async def test_a_figure_that_does_not_fit_is_said_twice(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    await journal_of(tmp_path)
    site = Site(tmp_path, capsys)
    await site.note("1008", 500)
    assert "1007 is below 1008, which was noted for" in await site.note("1007", 600, status=2)
    assert "1008 is noted for that instant already" in await site.note("1008", 500, status=2)
    await site.note("1007", 600, "--despite")
    assert [(one["figure"], one["despite"]) for one in await site.listed()] == [(1008, False), (1007, True)]


async def test_readings_of_panels_have_one_source(tmp_path: Path) -> None:
    data = {"printer": PRINTER, "channel": "total", "figure": 1008, "read": to_text(SystemClock().now_us()), "by": "a"}
    printer = PrinterSettings(name=PRINTER, host="127.0.0.1", port=9)
    async with App(hasty_settings(tmp_path, (printer,)), first_reads_spread_s=0.0) as app:
        envelope = Envelope("/server", "n-1", READING_NOTED, None, data)
        with pytest.raises(BadFact, match=READINGS_SOURCE):
            await app.intake.take(envelope, feed="test", wait_s=None)
