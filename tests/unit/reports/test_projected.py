"""A file of facts leads to the same ledger as the journal they came from, in whatever order its lines stand."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.facts.facts import Fact, Origin, ReleaseEnded
from pagereeve.domain.ledger import Verdict
from pagereeve.domain.projection.projector import Ledger, replay
from pagereeve.reports.facts_file import FactLine, line_bytes, read_lines
from pagereeve.reports.projected import FactsInHand, printer_json, project_all, project_printer
from tests.histories import ONE_RELEASE, PRINTER, SOURCE, at, reading
from tests.property import days


def in_hand(lines: list[FactLine]) -> FactsInHand:
    raw = b"\n".join(line_bytes(line) for line in lines)
    return FactsInHand.of(read_lines(io.BytesIO(raw)))


def lines_of(facts: tuple[Fact, ...] | list[Fact]) -> list[FactLine]:
    return [FactLine(fact, number) for number, fact in enumerate(facts, 1)]


def ledger_of(lines: list[FactLine], printer: str = PRINTER) -> Ledger:
    return project_all(in_hand(lines))[printer].ledger


@settings(max_examples=30)
@given(st.integers(0, 2**32))
def test_a_file_of_facts_projects_as_a_replay_does_in_any_order_and_twice(seed: int) -> None:
    day = days.make_day(seed)
    lines = lines_of(day.facts)
    if day.open_run is not None:
        lines.append(FactLine(day.open_run, open=True))
    mixed = [*lines, *lines]
    Random(seed).shuffle(mixed)
    one = project_all(in_hand(mixed))[days.PRINTER]
    assert one.ledger == replay(days.PRINTER, day.facts, day.open_run)
    assert all(line.ok for line in one.conservation)


def test_the_rows_of_a_worked_history_are_these() -> None:
    body = printer_json(project_all(in_hand(lines_of(ONE_RELEASE)))[PRINTER])
    assert json.loads(json.dumps(body)) == body
    assert set(body) == {"stretches", "charges", "postings", "findings", "conservation", "waiting"}
    (charge,) = body["charges"]
    assert (charge["released"], charge["counted"], charge["charged"], charge["verdict"]) == (5, 5, 5, "agrees")
    assert charge["started"] == "2026-11-25T09:00:00.000000Z"
    assert [one["legs"] for one in body["postings"]] == [
        [{"account": f"meter:{PRINTER}", "pages": -5}, {"account": "person:anise", "pages": 5}]
    ]
    (line,) = body["conservation"]
    assert (line["first"], line["last"], line["accounted"], line["ok"]) == (1000, 1005, 5, True)
    assert body["findings"] == []


def test_of_two_exports_the_newer_open_run_counts() -> None:
    older, newer = reading(9, 12, 1005), reading(9, 60, 1005, count=9)
    begun = lines_of(ONE_RELEASE[:-1])
    both = [*begun, FactLine(newer, open=True), *begun, FactLine(older, open=True)]
    assert ledger_of(both) == ledger_of(lines_of(ONE_RELEASE))


def test_an_open_run_that_a_later_export_holds_finished_is_not_taken_twice() -> None:
    lines = [*lines_of(ONE_RELEASE), FactLine(reading(9, 12, 1005), open=True)]
    assert in_hand(lines).printers[PRINTER].open_run is None


def test_an_end_that_came_before_its_start_finds_its_release() -> None:
    """The daemon keeps it under no printer until the start comes; so does an export of its journal."""
    early = ReleaseEnded("", Origin(SOURCE, "r-1001.early", at(-1), at(-1)), "r-1001", "completed")
    without = [fact for fact in ONE_RELEASE if not isinstance(fact, ReleaseEnded)]
    (charge,) = ledger_of(lines_of([early, *without])).charges
    assert charge.ended_us == at(0)


def test_an_end_that_the_daemon_has_placed_is_not_placed_again() -> None:
    """The daemon's copy of it on its start's timeline is the same event."""
    early = ReleaseEnded("", Origin(SOURCE, "r-1001.early", at(-1), at(-1)), "r-1001", "completed")
    copy = replace(early, printer=PRINTER, origin=replace(early.origin, id="r-1001.early#routed", at_us=at(0)))
    without = [fact for fact in ONE_RELEASE if not isinstance(fact, ReleaseEnded)]
    held = in_hand(lines_of([early, copy, *without]))
    assert [one for one in held.printers[PRINTER].facts if isinstance(one, ReleaseEnded)] == [copy]
    (charge,) = ledger_of(lines_of([early, copy, *without])).charges
    assert charge.ended_us == at(0)


def test_a_printer_that_nobody_knows_has_its_claims_unproven() -> None:
    starts = [fact for fact in ONE_RELEASE if type(fact).__name__ == "ReleaseStarted"]
    one = project_printer(PRINTER, in_hand(lines_of(starts)).printers[PRINTER])
    assert [(row.released, row.counted, row.verdict) for row in one.ledger.charges] == [(5, None, Verdict.UNPROVEN)]
    assert one.conservation == ()
