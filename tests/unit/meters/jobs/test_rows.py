"""When an agent is searched for a job table: once, and again sooner where the search failed than in vain."""

from __future__ import annotations

from typing import cast

import pytest

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.meters.jobs import rows as rows_module
from pagereeve.meters.jobs.rows import SURVEY_AGAIN_US, SURVEY_EVERY_US, JobRows
from pagereeve.meters.jobs.table import APART_READS, JobTable
from pagereeve.meters.snmp.ber import Varbind
from pagereeve.meters.snmp.conversation import Conversation, Got
from pagereeve.meters.snmp.question import ReadEnded

CONVERSATION = cast("Conversation", object())
PINS, OTHER_PINS = object(), object()


def searched(monkeypatch: pytest.MonkeyPatch, *results: JobTable | Exception | None) -> None:
    """What one search after the other comes to."""
    left = list(results)

    async def survey_jobs(_: Conversation) -> JobTable | None:
        result = left.pop(0)
        if isinstance(result, Exception):
            raise result
        return result

    monkeypatch.setattr(rows_module, "survey_jobs", survey_jobs)


async def test_a_search_that_failed_is_repeated_after_twice_as_long_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    silent = ReadEnded(SilenceReason.TIMEOUT, "", "")
    searched(monkeypatch, *[silent] * 8, JobTable(1))
    rows, now_us, waits = JobRows(), 5 * SECOND_US, []
    for _ in range(8):
        assert rows.is_due(PINS, now_us)
        with pytest.raises(ReadEnded):
            await rows.look(CONVERSATION, now_us, busy=False)
        failed_us = now_us
        while not rows.is_due(PINS, now_us):
            now_us += SECOND_US
        waits.append(now_us - failed_us)
    assert waits[:4] == [SURVEY_AGAIN_US << step for step in range(4)]
    assert waits[-1] == SURVEY_EVERY_US
    assert await rows.look(CONVERSATION, now_us, busy=False) is None
    assert rows.table is not None


async def test_a_search_in_vain_is_repeated_after_a_sign_of_restart_and_no_sooner_than_the_wait(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    searched(monkeypatch, None)
    rows = JobRows()
    assert rows.is_due(PINS, 0)
    assert await rows.look(CONVERSATION, 0, busy=False) is None
    assert not rows.is_due(OTHER_PINS, SURVEY_EVERY_US - 1)
    assert not rows.is_due(PINS, SURVEY_EVERY_US)
    assert rows.is_due(OTHER_PINS, SURVEY_EVERY_US)


OWN = (b"meter",)


def answered(*names: bytes) -> Got:
    return Got({name: Varbind(name, 0x41, b"\x01") for name in names}, 1, 2)


def read(rows: JobRows, *, lost: bool) -> bool:
    """One read of the meter; whether the jobs were asked for beside it."""
    asked = rows.beside()
    parted = rows.parted(answered(*OWN, *(() if lost else asked)), OWN)
    assert set(parted.values) == set(OWN)
    return bool(asked)


def test_one_answer_without_the_jobs_is_a_glitch_and_two_in_a_row_part_them_from_the_meter() -> None:
    rows = JobRows(JobTable(1))
    assert [read(rows, lost=lost) for lost in (True, False, True, False, True, True)] == [True] * 6
    assert not read(rows, lost=True)


def test_an_agent_that_says_itself_that_it_is_too_much_is_believed_at_once() -> None:
    rows = JobRows(JobTable(1))
    rows.parted(answered(*OWN)._replace(too_big=True), OWN)
    assert not rows.beside()


def test_jobs_that_are_parted_are_asked_for_with_the_meter_again_after_a_while() -> None:
    rows = JobRows(JobTable(1))
    for _ in range(2):
        assert read(rows, lost=True)
    assert [read(rows, lost=True) for _ in range(APART_READS)] == [False] * (APART_READS - 1) + [True]
    # Lost once more it is as it was; what came makes the next loss a glitch again.
    assert [read(rows, lost=False) for _ in range(APART_READS)] == [False] * (APART_READS - 1) + [True]
    assert [read(rows, lost=True) for _ in range(3)] == [True, True, False]


def test_whoever_only_asks_what_would_be_asked_takes_no_second_try_away() -> None:
    rows = JobRows(JobTable(1, lost=2))
    while not rows.beside():
        pass
    assert rows.beside()
