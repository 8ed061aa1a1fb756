"""Several channels of one meter: each is partitioned by the readings that carry it (domain/README.md, step 4)."""

from __future__ import annotations

from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.reading import Count, Unit
from pagereeve.domain.ledger import Grade, Interval, Verdict
from pagereeve.domain.projection.projector import PrinterProjector
from tests.unit.domain.story import Story, accounts, brackets, charge, gaps, impressions, kinds, printed


def _colour_story(mode: str, mono: int, colour: int) -> Story:
    story = Story()
    story.reading(-1, counts=impressions(total=100, mono=60, colour=40))
    story.release(0, pages=6, color_mode=mode)
    story.ended(3)
    for second in (8, 14, 20, 30):
        story.reading(second, counts=impressions(total=100 + mono + colour, mono=60 + mono, colour=40 + colour))
    return story


def test_each_channel_has_its_own_bracket_posting_and_charge() -> None:
    ledger = _colour_story("auto", 4, 2).ledger()
    assert {one.channel: one.counted for one in ledger.stretches} == {"total": 6, "mono": 4, "colour": 2}
    assert {one.channel: one.counted for one in ledger.charges} == {"total": 6, "mono": 4, "colour": 2}
    # Of its parts a ticket says nothing but what they can be at most: that agrees, and is not unproven.
    assert {one.verdict for one in ledger.charges} == {Verdict.AGREES}
    assert accounts(ledger, "mono") == {"person:owner-r1": 4}
    assert accounts(ledger, "colour") == {"person:owner-r1": 2}
    assert kinds(ledger) == []


def test_a_monochrome_release_that_moved_the_colour_channel_disagrees_in_that_channel() -> None:
    ledger = _colour_story("monochrome", 4, 2).ledger()
    assert charge(ledger, "r1", "total").verdict is Verdict.AGREES
    assert charge(ledger, "r1", "colour").verdict is Verdict.SURPLUS
    assert charge(ledger, "r1", "colour").expected == Interval(0, 0)
    assert charge(ledger, "r1", "mono").verdict is Verdict.SHORTFALL


def test_a_part_of_the_total_is_not_told_a_second_time() -> None:
    """A surplus of the total is one finding, though mono shows it too."""
    assert kinds(_colour_story("monochrome", 9, 0).ledger()) == ["surplus"]


def test_a_channel_missing_from_a_reading_is_parted_by_the_readings_that_carry_it() -> None:
    story = Story()
    story.reading(-1, counts=impressions(total=100, mono=60))
    story.release(0, "a", pages=3)
    story.ended(3)
    for second in (8, 14, 20):
        story.reading(second, 103)
    story.release(40, "b", pages=2)
    story.ended(43)
    for second in (48, 54, 60, 70):
        story.reading(second, counts=impressions(total=105, mono=65))
    ledger = story.ledger()
    assert [one.counted for one in brackets(ledger, "total")] == [3, 2]
    (joint,) = brackets(ledger, "mono")
    assert (joint.counted, len(joint.releases)) == (5, 2)
    assert sum(accounts(ledger, "mono").values()) == 5
    assert sum(accounts(ledger, "total").values()) == 5


def test_a_channel_that_appears_later_counts_from_its_first_reading_on() -> None:
    story = Story()
    story.reading(-1, 100)
    story.release(0, "a", pages=3)
    story.ended(3)
    for second in (8, 20):
        story.reading(second, counts=impressions(total=103, duplex=40))
    story.release(30, "b", pages=4, sides="two-sided-long-edge")
    story.ended(33)
    for second in (38, 44, 60):
        story.reading(second, counts=impressions(total=107, duplex=44))
    ledger = story.ledger()
    assert charge(ledger, "b", "duplex").counted == 4
    assert charge(ledger, "a", "duplex").verdict is Verdict.UNPROVEN
    assert accounts(ledger, "duplex") == {"person:owner-b": 4}


def test_sheets_beside_impressions_are_each_compared_in_their_own_unit() -> None:
    def both(impressions_: int, sheets: int) -> dict[str, Count]:
        return {"total": Count(impressions_, Unit.IMPRESSIONS), "sheets": Count(sheets, Unit.SHEETS)}

    story = Story()
    story.reading(-1, counts=both(100, 50))
    story.release(0, pages=5, sides="two-sided-long-edge")
    story.ended(3)
    for second in (8, 20, 30):
        story.reading(second, counts=both(106, 53))
    ledger = story.ledger()
    assert (charge(ledger, "r1", "total").expected, charge(ledger, "r1", "sheets").expected) == (
        Interval(5, 6),
        Interval(3, 3),
    )
    assert {one.verdict for one in ledger.charges} == {Verdict.AGREES}


def test_stray_pages_are_told_for_the_total_and_counted_for_every_channel() -> None:
    story = Story()
    story.reading(0, counts=impressions(total=100, mono=60))
    story.reading(600, counts=impressions(total=103, mono=62))
    ledger = story.ledger()
    assert [one.counted for one in gaps(ledger, "mono")] == [2]
    assert kinds(ledger) == ["stray-pages"]
    assert accounts(ledger, "mono") == {"house:stray": 2}


def test_a_channel_that_never_comes_back_keeps_its_part_open_and_the_others_close() -> None:
    story = Story()
    story.reading(-1, counts=impressions(total=100, mono=60))
    for nth in range(5):
        second = 100 * nth
        story.release(second, f"r{nth}", pages=2)
        story.ended(second + 3)
        for offset in (8, 20, 30):
            story.reading(second + offset, 102 + 2 * nth)
    ledger = story.ledger()
    assert [charge(ledger, f"r{nth}").counted for nth in range(5)] == [2] * 5
    assert {charge(ledger, f"r{nth}", "mono").counted for nth in range(5)} == {None}
    assert accounts(ledger, "mono") == {}


def test_a_channel_that_another_device_lacks_leaves_no_row_where_nobody_released() -> None:
    story = Story()
    story.rest(0, 60, counts=impressions(total=100, mono=60), total=None)
    story.serial = "K2"
    story.rest(70, 120, 900)
    assert [one for one in story.ledger().stretches if one.channel == "mono"] == []
    # Nor where the release came only after it.
    printed(story, 300, 900, 904, pages=4)
    assert [one for one in story.ledger().stretches if one.channel == "mono"] == []
    assert [one.channel for one in story.ledger().charges] == ["total"]


def _unread_story(until: float, *later: tuple[float, dict[str, Count]]) -> Story:
    """Colour is read before a release and never again, but ``later``."""
    story = Story()
    story.reading(-1, counts=impressions(total=100, colour=40))
    story.release(0, "a", pages=3, color_mode="auto")
    story.ended(3)
    for second in (8, 14, 20, until):
        story.reading(second, counts=impressions(total=103))
    for second, counts in later:
        story.reading(second, counts=counts)
    return story


def test_a_channel_that_is_no_longer_read_ends_its_windows_without_a_reading_after() -> None:
    story = _unread_story(900)
    ledger = story.ledger()
    colour = charge(ledger, "a", "colour")
    assert (colour.verdict, colour.grade, colour.closed_us is not None) == (Verdict.UNPROVEN, Grade.BLIND, True)
    assert "no-reading-after" in colour.reasons
    assert "window-open" not in colour.reasons
    assert (colour.counted, colour.charged, colour.unproven) == (None, 0, 0)
    assert charge(ledger, "a", "total").verdict is Verdict.AGREES
    assert kinds(ledger) == [], "a part of the total that nobody reads is nobody's fault"
    projector = PrinterProjector(story.printer, Rules.of(story.facts))
    for fact in story.facts:
        projector.add(fact)
    projector.open_run(story.current)
    assert {one.channel: one.releases for one in projector.projected().waits} == {"colour": 0, "total": 0}


def test_until_the_wait_is_over_its_windows_are_open_and_a_reading_in_time_judges_them() -> None:
    early = charge(_unread_story(30).ledger(), "a", "colour")
    assert (early.verdict, early.closed_us) == (None, None)
    assert "window-open" in early.reasons
    back = _unread_story(900, (1000, impressions(total=103, colour=42))).ledger()
    assert (charge(back, "a", "colour").verdict, charge(back, "a", "colour").counted) == (Verdict.AGREES, 2)


def test_a_total_that_is_no_longer_read_leaves_its_claim_unproven_and_says_so() -> None:
    story = Story()
    story.reading(-1, counts=impressions(total=100) | {"sheets": Count(50, Unit.SHEETS)})
    story.release(0, "a", pages=3)
    story.ended(3)
    for second in (8, 14, 20, 900):
        story.reading(second, counts={"sheets": Count(53, Unit.SHEETS)})
    ledger = story.ledger()
    total = charge(ledger, "a", "total")
    assert (total.verdict, total.charged, total.unproven) == (Verdict.UNPROVEN, 0, 3)
    assert kinds(ledger) == ["unproven-release"]
