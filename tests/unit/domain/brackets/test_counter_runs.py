"""Each counter has a run of its own: what befalls one ends no other's."""

from __future__ import annotations

import pytest

from pagereeve.domain.facts.reading import Count, Unit
from pagereeve.domain.ledger import Grade, Verdict
from tests.unit.domain.story import Story, accounts, brackets, charge, finding, impressions, kinds


def printed_across(before: dict[str, int], after: dict[str, int], *, restart: bool = False) -> Story:
    """A release of 5 pages, and what the meter's side counters showed before and after it."""
    story = Story()
    story.rest(-30, -1, 100, counts=impressions(**before))
    story.release(0, "A", pages=5)
    story.ended(3)
    if restart:
        story.restart(4)
    story.rest(8, 60, 105, counts=impressions(**after))
    return story


@pytest.mark.parametrize("restart", [False, True])
@pytest.mark.parametrize("side", ["mono", "colour", "copies", "duplex", "large"])
def test_a_side_counter_that_falls_leaves_the_total_as_it_was(side: str, restart: bool) -> None:
    ledger = printed_across({side: 900}, {side: 0}, restart=restart).ledger()
    row = charge(ledger, "A")
    assert (row.verdict, row.counted, row.charged, row.unproven) == (Verdict.AGREES, 5, 5, 0)
    assert accounts(ledger) == {"person:owner-A": 5}
    (bracket,) = [one for one in brackets(ledger, side) if one.grade is Grade.BROKEN][:1]
    assert "run-ended" in bracket.reasons
    assert accounts(ledger, side) == {}
    assert "meter-went-back" in kinds(ledger)
    assert side in str(finding(ledger, "meter-went-back").what.value("channels"))


def test_what_a_side_counter_counts_on_both_sides_of_its_reset_stays_counted() -> None:
    story = Story()
    story.rest(-30, -1, 100, counts=impressions(mono=900))
    for start_s, total, mono in ((0, 105, 905), (100, 110, 5), (200, 115, 10)):
        story.release(start_s, pages=5, color_mode="monochrome")
        story.ended(start_s + 3)
        story.rest(start_s + 8, start_s + 60, total, counts=impressions(mono=mono))
    ledger = story.ledger()
    assert [one.counted for one in brackets(ledger)] == [5, 5, 5]
    assert sorted((one.run, one.grade, one.counted) for one in brackets(ledger, "mono")) == [
        (1, Grade.BROKEN, 0),
        (1, Grade.TIGHT, 5),
        (2, Grade.BROKEN, 0),
        (2, Grade.TIGHT, 5),
    ]


def test_an_odd_value_of_a_side_counter_is_kept_out_and_told_to_nobody() -> None:
    story = Story()
    story.rest(-30, -1, 100, counts=impressions(mono=900))
    story.release(0, pages=5)
    story.ended(3)
    story.reading(8, 105, counts=impressions(mono=0))
    story.rest(9, 60, 105, counts=impressions(mono=905))
    ledger = story.ledger()
    assert kinds(ledger) == []
    assert [one.counted for one in brackets(ledger, "mono")] == [5]


def test_a_device_that_was_replaced_ends_all_runs() -> None:
    story = Story()
    story.rest(-30, -1, 100, counts=impressions(mono=90))
    story.serial = "K2"
    story.rest(8, 60, 105, counts=impressions(mono=95))
    story.release(70, pages=5)
    story.ended(73)
    story.rest(78, 120, 110, counts=impressions(mono=100))
    ledger = story.ledger()
    assert {one.run for one in ledger.stretches} == {2}
    assert kinds(ledger) == ["meter-replaced"]


def test_a_run_after_a_side_counters_own_gets_a_number_that_none_had() -> None:
    story = Story()
    story.rest(-30, -1, 100, counts=impressions(mono=900))
    story.rest(8, 60, 100, counts=impressions(mono=0))
    story.serial = "K2"
    story.rest(100, 160, 7, counts=impressions(mono=0))
    story.release(200, pages=5)
    story.ended(203)
    story.rest(208, 260, 12, counts=impressions(mono=5))
    assert {(one.channel, one.run) for one in story.ledger().stretches} == {("mono", 3), ("total", 3)}


def test_sheets_that_were_reset_accuse_nobody_whose_pages_the_total_proves() -> None:
    story = Story()
    for (from_s, to_s), total, sheets in (((-30, -1), 100, 80), ((8, 60), 105, 0)):
        story.rest(from_s, to_s, total, counts={"sheets": Count(sheets, Unit.SHEETS)})
    story.release(0, "A", pages=5)
    story.ended(3)
    ledger = story.ledger()
    assert charge(ledger, "A").verdict is Verdict.AGREES
    assert charge(ledger, "A", "sheets").verdict is Verdict.UNPROVEN
    assert kinds(ledger) == ["meter-went-back"]


def test_copies_that_were_reset_say_nothing_of_a_surplus() -> None:
    """Nobody knows how many copies were made meanwhile."""
    story = printed_across({"copies": 40}, {"copies": 0})
    story.facts = story.facts[:]
    story.rest(70, 90, 112, counts=impressions(copies=4))
    assert accounts(story.ledger())["house:other-function"] == 4
