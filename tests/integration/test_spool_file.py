"""The spool's file: bounded, in order, there again after a kill, and what of it can't be read stops nothing."""

from __future__ import annotations

import sqlite3
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import pytest

from pagereeve.domain.facts.facts import BadgePresented, Origin, PlateauRead
from pagereeve.ports.spool import NotSpooled
from pagereeve.store.spool.spool import SpoolFile
from tests.journal_samples import read


def badge(nth: int) -> BadgePresented:
    return BadgePresented("", Origin("urn:invented", f"e{nth}", nth, nth, None, "missing"), "ab12", "gate-1", "")


def run(at_s: int) -> PlateauRead:
    return read(at_s, "teller")


@pytest.fixture
async def spool(tmp_path: Path) -> AsyncIterator[SpoolFile]:
    opened = await SpoolFile.open(tmp_path / "spool.sqlite", rows_max=5)
    yield opened
    await opened.close()


async def test_events_come_back_in_order_and_no_more_than_it_may_hold(spool: SpoolFile) -> None:
    assert spool.path.stat().st_mode & 0o777 == 0o600
    for nth in range(1, 6):
        await spool.keep_event(badge(nth))
    for _ in range(3):
        # One that is tried again is still one.
        with pytest.raises(NotSpooled, match="the spool is full: 5 wait"):
            await spool.keep_event(badge(6))
    figures = spool.figures()
    assert (figures.events, figures.refused, spool.waiting_events) == (5, 1, 5)
    first = await spool.events(3)
    assert [one.event for one in first] == [badge(1), badge(2), badge(3)]
    await spool.drop_events(first[-1].number)
    await spool.keep_event(badge(7))
    assert [one.event for one in await spool.events(10)] == [badge(4), badge(5), badge(7)]
    await spool.drop_events((await spool.events(10))[-1].number)
    figures = spool.figures()
    assert (figures.events, figures.size_bytes, figures.replayed) == (0, 0, 6)


async def test_bytes_are_bounded_as_rows_are(tmp_path: Path) -> None:
    spool = await SpoolFile.open(tmp_path / "spool.sqlite", size_max_bytes=700)
    long = replace(badge(1), reader="r" * 200)
    await spool.keep_event(long)
    with pytest.raises(NotSpooled, match="full"):
        await spool.keep_event(long)
    await spool.drop_events((await spool.events(1))[-1].number)
    await spool.keep_event(long)
    await spool.close()


async def test_what_waits_is_there_for_the_next_process_and_what_is_damaged_is_told(spool: SpoolFile) -> None:
    await spool.keep_event(badge(1))
    await spool.keep_event(badge(2))
    await spool.keep_runs("teller", [run(10), run(20)], run(30))
    await spool.keep_runs("teller", [], run(31))
    before = spool.figures()
    await spool.close()
    with sqlite3.connect(spool.path) as raw:
        raw.execute("UPDATE event SET body = '{\"fact\": 1}' WHERE number = 1")
        raw.execute("UPDATE run SET body = 'x' WHERE number = 1")
    raw.close()
    again = await SpoolFile.open(spool.path)
    assert (before.events, before.runs) == (again.figures().events, again.figures().runs) == (2, 3)
    assert [one.event for one in await again.events(10)] == [None, badge(2)]
    waiting = await again.runs("teller", 10)
    assert (waiting.sealed, waiting.current, waiting.unread) == ([run(20)], run(31), 1)
    assert again.has_runs("teller")
    await again.drop_runs("teller", waiting)
    await again.drop_events(2, 1)
    figures = again.figures()
    assert (figures.events, figures.runs, figures.size_bytes) == (0, 0, 0)
    assert (figures.replayed, figures.unusable) == (3, 2)
    assert not again.has_runs("teller")
    await again.close()


async def test_runs_go_some_at_a_time_and_the_open_one_with_the_last(spool: SpoolFile) -> None:
    await spool.keep_runs("teller", [run(10), run(20), run(30)], run(40))
    await spool.keep_runs("other", [], replace(run(50), printer="other"))
    first = await spool.runs("teller", 2)
    assert (first.sealed, first.current) == ([run(10), run(20)], run(40))
    await spool.drop_runs("teller", first)
    second = await spool.runs("teller", 2)
    assert (second.sealed, second.current) == ([run(30)], run(40))
    await spool.drop_runs("teller", second)
    assert (spool.has_runs("teller"), spool.has_runs("other")) == (False, True)


async def test_a_file_that_is_something_else_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "spool.sqlite"
    path.write_text("a list of pages\n" * 100)
    with pytest.raises(NotSpooled, match=r"spool\.sqlite"):
        await SpoolFile.open(path)
    assert path.read_text().startswith("a list of pages")
