"""Facts travel: what is written reads back as the same facts, and a bad line costs only itself."""

from __future__ import annotations

import io
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.facts.codec import fact_bytes
from pagereeve.domain.facts.facts import Fact, PlateauRead, ReadFailed
from pagereeve.ports.journal import OpenRun
from pagereeve.reports import facts_file
from pagereeve.reports.facts_file import LINE_MAX_BYTES, BadLine, FactLine, fact_lines, line_bytes, read_lines
from tests.facts_strategies import FACTS, RUNS
from tests.histories import ONE_RELEASE, PRINTER, SIMPLE, assigned, failed, journal_of, reading, started

GOOD = line_bytes(FactLine(reading(0, 5, 100), 1))


def read(raw: bytes) -> list[FactLine | BadLine]:
    return list(read_lines(io.BytesIO(raw)))


@given(FACTS, st.none() | st.integers(1, 2**53 - 1))
def test_every_fact_reads_back_with_its_number(fact: Fact, seq: int | None) -> None:
    assert read(line_bytes(FactLine(fact, seq)) + b"\n") == [FactLine(fact, seq)]


@given(RUNS)
def test_an_open_run_reads_back_as_open(run: PlateauRead | ReadFailed) -> None:
    assert read(line_bytes(FactLine(run, open=True))) == [FactLine(run, open=True)]


def test_a_line_less_its_number_is_the_canonical_bytes_of_the_fact() -> None:
    members = json.loads(GOOD)
    assert members.pop("seq") == 1
    assert json.dumps(members, separators=(",", ":"), sort_keys=True).encode() == fact_bytes(reading(0, 5, 100))


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        (b"x", "is no JSON"),
        (b"[]", "is a list; an object is needed"),
        (b'{"fact":"reading"}', "printer: is missing"),
        (b'{"fact":"rumour"}', "fact: 'rumour' is not known"),
        (GOOD.replace(b'"count":2', b'"count":NaN'), "NaN is no JSON number"),
        (GOOD.replace(b'"count":2', b'"count":2.5'), "count: is a number with a fraction"),
        (GOOD.replace(b'"count":2', b'"count":' + b"9" * 5000), "number too long"),
        (GOOD.replace(b'"seq":1', b'"seq":0'), "seq: is 0"),
        (GOOD.replace(b'"seq":1', b'"seq":1,"seq":2'), "seq: occurs twice"),
        (GOOD.replace(b'"seq":1', b'"seqq":1'), "has unknown members: seqq"),
        (GOOD.replace(b'"seq":1', b'"open":1'), "open: must be true or false"),
        (line_bytes(FactLine(assigned("a", "b", 0), open=True)), "open: only a reading"),
        (GOOD.replace(b"idle", b"\xff"), "is not UTF-8"),
        (b'{"fact":' + b"[" * 100_000, "nested too deeply"),
    ],
)
def test_a_bad_line_is_told_by_number_and_member_and_the_others_are_read(line: bytes, problem: str) -> None:
    first, bad, last = read(b"\n".join([GOOD, line, GOOD]))
    assert isinstance(first, FactLine)
    assert isinstance(last, FactLine)
    assert isinstance(bad, BadLine)
    assert bad.number == 2
    assert problem in bad.problem


def test_a_line_of_any_length_costs_no_more_than_the_limit() -> None:
    lines = read(b'"' + b"x" * (3 * LINE_MAX_BYTES) + b'"\n' + GOOD)
    assert isinstance(lines[0], BadLine)
    assert "is longer than" in lines[0].problem
    assert lines[1:] == [FactLine(reading(0, 5, 100), 1)]


def test_empty_lines_windows_ends_and_a_byte_order_mark_do_no_harm() -> None:
    raw = b"\xef\xbb\xbf" + GOOD + b"\r\n\r\n\n" + GOOD
    assert [type(line) for line in read(raw)] == [FactLine, FactLine]


@given(st.binary(max_size=200))
def test_any_bytes_are_facts_or_bad_lines(raw: bytes) -> None:
    assert all(isinstance(line, FactLine | BadLine) for line in read(raw))


async def test_an_export_holds_every_fact_by_number_and_the_open_run_last() -> None:
    run = reading(61, 90, 1005)
    journal = await journal_of([*ONE_RELEASE, assigned("anise", "00042", 0)], run)
    lines = [line async for line in fact_lines(journal)]
    assert [line.seq for line in lines] == [1, *range(1, len(ONE_RELEASE) + 1), None]
    assert lines[0].fact == assigned("anise", "00042", 0)
    assert lines[-1] == FactLine(run, open=True)
    alone = [line async for line in fact_lines(journal, PRINTER)]
    assert alone == lines[1:]


async def test_a_run_that_is_sealed_while_facts_are_read_out_is_not_lost() -> None:
    """The daemon goes on beside an export: the meter moves on between two of its reads."""
    journal = await journal_of(ONE_RELEASE, reading(61, 90, 1005))
    kept = journal.open_run
    asked = 0

    async def open_run(printer: str) -> OpenRun | None:
        nonlocal asked
        asked += 1
        if printer == PRINTER and asked == 4:
            await journal.observe(PRINTER, [reading(61, 95, 1005)], reading(96, 97, 1007))
        return await kept(printer)

    journal.open_run = open_run  # type: ignore[method-assign]
    lines = [line async for line in fact_lines(journal)]
    facts = [line.fact for line in lines]
    assert reading(61, 95, 1005) in facts
    assert lines[-1] == FactLine(reading(96, 97, 1007), open=True)
    assert len(facts) == len(set(facts))


def test_a_title_that_is_kept_travels_and_a_line_is_one_line() -> None:
    fact = started("r", 0, "anise", SIMPLE)
    assert b"\n" not in line_bytes(FactLine(fact, 1))
    assert read(line_bytes(FactLine(fact, 1))) == [FactLine(fact, 1)]
    assert failed(0, 1, 2) == read(line_bytes(FactLine(failed(0, 1, 2))))[0].fact  # type: ignore[union-attr]
    assert facts_file.CATCH_UP_MAX > 1
