"""What moves with our clock, and what a source claimed and stays: every kind of fact, and each case of a claim."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pagereeve.domain.facts.codec import from_json
from pagereeve.domain.facts.facts import (
    Assigned,
    Bound,
    ClockMark,
    Fact,
    FactDamaged,
    Origin,
    PrinterNoted,
    Redated,
    instant_us,
)
from pagereeve.domain.facts.redating import NOT_AGREED, Span, dated_us, is_read, redated
from pagereeve.domain.values.instants import SECOND_US

LINES = Path(__file__).with_name("facts.jsonl").read_bytes().splitlines()
FACTS: list[Fact] = [from_json(json.loads(line)) for line in LINES]
BY_US = 77 * SECOND_US
NOON_US = 1_764_072_000 * SECOND_US
HOUR_US = 3_600 * SECOND_US
# Some lines lie at the edges of what RFC 3339 can name.
MOVABLE = [one for one in FACTS if abs(instant_us(one)) < 2**57]


def test_what_our_clock_dated_is_later_by_as_much_and_nothing_else_moves() -> None:
    for fact in MOVABLE:
        moved, at_us = redated(fact, BY_US), dated_us(fact)
        assert dated_us(moved) == (None if at_us is None else at_us + BY_US)
        assert type(moved) is type(fact)
        assert redated(fact, 0) is fact
        if is_read(fact):
            assert instant_us(moved) == instant_us(fact) + BY_US
            assert redated(moved, -BY_US) == fact
        if at_us is None:
            assert moved == fact
    assert {type(one) for one in MOVABLE if dated_us(one) is None} == {Assigned, FactDamaged, Redated}


def test_a_binding_keeps_its_own_date_and_is_known_later() -> None:
    bound = Bound(NOON_US, "b", "anise", NOON_US + 5)
    assert redated(bound, BY_US) == Bound(NOON_US, "b", "anise", NOON_US + 5 + BY_US)


@pytest.mark.parametrize(
    ("occurred_us", "mark", "by_us", "at_us", "now"),
    [
        (None, "missing", HOUR_US, NOON_US + HOUR_US, "missing"),
        (NOON_US + HOUR_US - 5, NOT_AGREED, HOUR_US, NOON_US + HOUR_US - 5, ""),
        (NOON_US + HOUR_US + 5, "future", HOUR_US, NOON_US + HOUR_US, ""),
        (NOON_US + 3 * HOUR_US, "future", HOUR_US, NOON_US + HOUR_US, "future"),
        (12, NOT_AGREED, HOUR_US, NOON_US + HOUR_US, "implausible-past"),
        (NOON_US - HOUR_US, "", -HOUR_US + 7, NOON_US - HOUR_US, ""),
    ],
)
def test_a_claim_counts_again_where_it_can_be_believed(
    occurred_us: int | None, mark: ClockMark, by_us: int, at_us: int, now: ClockMark
) -> None:
    noted = PrinterNoted("p", Origin("urn:x", "e1", NOON_US, NOON_US, occurred_us, mark), "moved")
    moved = redated(noted, by_us)
    assert isinstance(moved, PrinterNoted)
    assert moved.origin == Origin("urn:x", "e1", at_us, NOON_US + by_us, occurred_us, now)


def test_a_span_holds_its_beginning_and_not_its_end() -> None:
    span = Span(5, 7)
    assert [at_us for at_us in range(9) if span.holds(at_us)] == [5, 6]
