"""Which of an event's twins counts, and that the journal and the domain know one claim by one digest."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from pagereeve.domain.facts.claims import HEARD, claim_digest, kind_of
from pagereeve.domain.facts.facts import Conflict, Fact, Origin, PrinterNoted, ReleaseEnded, ReleaseStarted
from pagereeve.domain.facts.union import joined
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.reports.facts_file import FactLine, read_lines
from pagereeve.store.records.fact_record import file

AT_US = 1_772_442_000 * SECOND_US
FACTS = Path(__file__).with_name("facts.jsonl")


def started(received_s: float, owner: str = "anise", clock: str = "") -> ReleaseStarted:
    received_us = AT_US + round(received_s * SECOND_US)
    origin = Origin("/server", "r1.start", AT_US, received_us, AT_US, clock)  # type: ignore[arg-type]
    return ReleaseStarted("p", origin, "r1", "job-1", owner)


def test_the_first_received_counts_in_any_order() -> None:
    first, later = started(0.2), started(20.2)
    assert joined([first, later]) == joined([later, first]) == [first]


def test_what_came_while_the_clock_was_not_agreed_comes_last() -> None:
    doubtful, later = started(0.2, clock="not-agreed"), started(20.2)
    assert joined([doubtful, later]) == [later]
    assert joined([doubtful]) == [doubtful]


def test_a_tie_is_broken_by_what_they_say() -> None:
    one, other = started(1, "anise"), started(1, "basil")
    ways = [joined([one, other]), joined([other, one])]
    assert ways[0] == ways[1]
    assert isinstance(ways[0][1], Conflict)


def test_another_claim_is_kept_aside_once() -> None:
    first, other = started(1, "anise"), started(2, "basil")
    again = replace(other, origin=replace(other.origin, received_us=AT_US + 9 * SECOND_US))
    counted, conflict = joined([again, first, other])
    assert counted == first
    assert conflict == Conflict("p", other.origin, kind_of(other), claim_digest(other))


def test_a_conflict_of_what_counts_now_is_dropped() -> None:
    """The other journal had stored the later claim first, and kept this one aside."""
    first, other = started(1, "anise"), started(2, "basil")
    kept = Conflict("p", replace(first.origin, received_us=AT_US + 3 * SECOND_US), kind_of(first), claim_digest(first))
    assert [type(one) for one in joined([first, other, kept])] == [ReleaseStarted, Conflict]
    assert joined([kept]) == [kept]


def test_the_copy_of_an_end_on_its_starts_timeline_is_the_same_event() -> None:
    origin = Origin("/server", "r1.end", AT_US, AT_US + 5, AT_US)
    waiting = ReleaseEnded("", origin, "r1", "completed", 5)
    copy = replace(waiting, printer="p", origin=replace(origin, id="r1.end#routed"))
    assert joined([waiting, copy]) == [copy]
    assert joined([copy, waiting]) == [copy]


def test_a_note_heard_twice_is_one_note() -> None:
    origin = Origin("/desk", "n1", AT_US + 5, AT_US + 5, None, "missing")
    later = replace(origin, at_us=AT_US + 99, received_us=AT_US + 99)
    notes = [PrinterNoted("p", one, "maintenance-begun") for one in (later, origin)]
    assert joined(notes) == [notes[1]]


def examples() -> list[Fact]:
    with FACTS.open("rb") as opened:
        return [line.fact for line in read_lines(opened) if isinstance(line, FactLine)]


@pytest.mark.parametrize("fact", [one for one in examples() if isinstance(one, HEARD)])
def test_the_journal_knows_a_claim_by_the_same_digest(fact: Fact) -> None:
    record = file(fact)
    assert isinstance(fact, HEARD)
    assert (record.digest, record.kind) == (claim_digest(fact), kind_of(fact))
    assert [one for one in joined([fact, fact]) if not isinstance(one, Conflict)] == [fact]


def test_examples_hold_each_kind_of_what_is_heard() -> None:
    assert {type(one) for one in examples()} >= set(HEARD)
