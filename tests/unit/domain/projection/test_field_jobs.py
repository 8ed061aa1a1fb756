"""Public fault reports: what a job claims and what the meter shows."""

from __future__ import annotations

import pytest

from pagereeve.domain.facts.events import RELEASE_STARTED, data_of, event_of
from pagereeve.domain.facts.facts import Origin, Outcome, ReleaseStarted
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Grade, ReleaseKey, Verdict
from tests.findings import lines_of, text_of
from tests.unit.domain.story import (
    POLICY,
    Story,
    accounts,
    brackets,
    charge,
    finding,
    gaps,
    kinds,
    names_in,
    printed,
)

HOUR = 3600.0


def test_copies_applied_twice_are_a_surplus_of_the_house() -> None:
    """apple/cups#1782, #489: 3 pages in 3 copies move the meter by 27."""
    story = Story()
    printed(story, 0, 100, 127, pages=3, copies=3)
    ledger = story.ledger()
    one = charge(ledger, "r1")
    assert (one.released, one.counted, one.charged) == (9, 27, 9)
    assert one.verdict is Verdict.SURPLUS
    assert accounts(ledger) == {"person:owner-r1": 9, "house:surplus": 18}


def test_a_claim_logged_twice_does_not_count_twice() -> None:
    """apple/cups#32: 3 pages, 4 copies, claims of 12 and 12, counter +12."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, "twice", pages=3, copies=4, event="page-records", owner="ann")
    story.release(0.5, "twice", pages=3, copies=4, event="expanded", owner="ann")
    story.ended(5, "twice")
    story.rest(8, 40, 112)
    ledger = story.ledger()
    charges = [one for one in ledger.charges if one.release.release == "twice"]
    assert sum(one.counted or 0 for one in charges) == 12
    assert sum(one.charged for one in charges) == 12
    assert "repeated-release" in kinds(ledger)


def test_pages_two_up_are_compared_as_sides_and_sheets() -> None:
    """apple/cups#2672, #960: 7 pages two-up are 4 sides, or 2 sheets two-sided; the claim of 7 is neither."""
    sides = Story()
    printed(sides, 0, 100, 104, pages=7, number_up=2)
    assert charge(sides.ledger(), "r1").verdict is Verdict.AGREES
    sheets = Story()
    sheets.reading(-1, 100, unit=Unit.SHEETS)
    sheets.release(0, pages=7, number_up=2, sides="two-sided-long-edge")
    sheets.ended(3)
    sheets.rest(6, 30, 102, unit=Unit.SHEETS)
    assert charge(sheets.ledger(), "r1").charged == 2


def test_the_final_figure_of_a_job_counts_and_not_the_sum_of_its_progress() -> None:
    """apple/cups#5571: 1, 3, 8 is 8. Of several end notices the earliest is the end."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=None)
    story.ended(4, pages_sent=8)
    story.rest(6, 30, 108)
    one = charge(story.ledger(), "r1")
    assert (one.released, one.counted, one.verdict) == (8, 8, Verdict.AGREES)


def test_completed_without_movement_costs_nobody_anything() -> None:
    """OpenPrinting/cups-browsed#76: claim completed and 10, counter +0."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=10)
    story.ended(3, pages_sent=10)
    story.rest(6, 90, 100)
    ledger = story.ledger()
    one = charge(ledger, "r1")
    assert (one.counted, one.charged, one.unproven, one.verdict) == (0, 0, 0, Verdict.SHORTFALL)
    assert accounts(ledger) == {}
    assert "0 impressions counted, 10 expected" in text_of(finding(ledger, "shortfall"))


def test_a_job_printed_twice_and_logged_once_is_charged_once() -> None:
    """apple/cups#4073: 5 pages, counter +10."""
    story = Story()
    printed(story, 0, 100, 110, pages=5)
    ledger = story.ledger()
    assert charge(ledger, "r1").charged == 5
    assert accounts(ledger)["house:surplus"] == 5


def test_pages_hours_after_any_release_are_stray_with_their_bounds() -> None:
    """apple/cups#5931: no release for 2 h, +2 between the heartbeats of 02:00 and 02:15."""
    story = Story()
    printed(story, 0, 100, 103, pages=3)
    story.reading(2 * HOUR, 103)
    story.reading(2.25 * HOUR, 105)
    ledger = story.ledger()
    (gap,) = gaps(ledger)
    assert gap.counted == 2
    assert (gap.closes_us - gap.opens_us) / 1e6 == 900.1
    assert accounts(ledger) == {"person:owner-r1": 3, "house:stray": 2}


def test_a_job_number_used_again_is_another_release_where_its_source_says_so() -> None:
    """apple/cups#1582: job 2, a crash, job 2 with other content: two jobs, by source and release name."""
    story = Story()
    for start, (name, before, after) in enumerate([("queue-2-a", 100, 104), ("queue-2-b", 104, 110)]):
        second = 100 * start
        story.reading(second - 1, before)
        story.release(second, name, pages=after - before)
        story.ended(second + 3)
        story.rest(second + 6, second + 30, after)
    ledger = story.ledger()
    assert [charge(ledger, name).charged for name in ("queue-2-a", "queue-2-b")] == [4, 6]


def test_one_name_of_two_sources_is_two_releases() -> None:
    """The same: the key is source and name."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, "7", pages=2, source="urn:invented:a")
    story.ended(2, "7", source="urn:invented:a")
    story.rest(6, 30, 102)
    story.release(40, "7", pages=3, source="urn:invented:b")
    story.ended(42, "7", source="urn:invented:b")
    story.rest(46, 80, 105)
    ledger = story.ledger()
    assert [(one.release.source[-1], one.charged) for one in ledger.charges] == [("a", 2), ("b", 3)]
    assert kinds(ledger) == []


def test_blank_backs_are_within_the_range_and_named() -> None:
    """apple/cups#389, #1847: 3 pages, 2 copies, two-sided: +6 to +8 sides are all well."""
    for moved in (6, 7, 8):
        story = Story()
        printed(story, 0, 100, 100 + moved, pages=3, copies=2, sides="two-sided-long-edge")
        one = charge(story.ledger(), "r1")
        assert one.verdict is Verdict.AGREES
        assert "blank-backs" in one.reasons
        assert one.charged == 6
    story = Story()
    printed(story, 0, 100, 109, pages=3, copies=2, sides="two-sided-long-edge")
    assert charge(story.ledger(), "r1").verdict is Verdict.SURPLUS


def test_out_of_paper_over_night_keeps_the_window_open_and_joins_the_next_release() -> None:
    """OpenPrinting/cups#278, #470; apple/cups#200: +4 at 17:00, +6 at 08:10, a release of 3 at 08:11."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, "evening", pages=10, owner="ann")
    story.ended(4)
    story.rest(8, 15 * HOUR, 104, every=900, errors=("noPaper",))
    story.reading(15.16 * HOUR, 106, state="printing")
    story.release(15.17 * HOUR, "morning", pages=3, owner="ben")
    story.ended(15.17 * HOUR + 3)
    story.rest(15.17 * HOUR + 20, 15.17 * HOUR + 60, 113)
    ledger = story.ledger()
    (joint,) = brackets(ledger)
    assert names_in(joint) == ["evening", "morning"]
    assert (joint.counted, joint.verdict) == (13, Verdict.AGREES)
    assert "stalled" in joint.reasons
    assert [charge(ledger, name).charged for name in ("evening", "morning")] == [10, 3]


def test_a_restarted_job_that_comes_out_later_is_first_missing_and_then_stray() -> None:
    """apple/cups#1956: release at 10:00, +0 until 12:00, +4 at 15:30."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.ended(3)
    story.rest(6, 2 * HOUR, 100, every=600)
    story.reading(5.5 * HOUR, 104)
    ledger = story.ledger()
    assert charge(ledger, "r1").verdict is Verdict.SHORTFALL
    assert accounts(ledger) == {"house:stray": 4}
    assert kinds(ledger) == ["shortfall", "stray-pages"]


def test_printing_past_the_queue_shows_in_the_gap_and_charges_neither_neighbour() -> None:
    """SUSE Linux Enterprise Server 10, Installation and Administration, section 23.9 (raw ports open): 500 after A, 512
    before B.
    """
    story = Story()
    printed(story, 0, 495, 500, pages=5)
    printed(story, 600, 512, 514, pages=2)
    ledger = story.ledger()
    assert [one.counted for one in gaps(ledger)] == [12]
    assert [charge(ledger, name).charged for name in ("r1", "r2")] == [5, 2]
    assert sum(accounts(ledger).values()) == 514 - 495


def _overlapping(after: int, policy: Policy = POLICY) -> Story:
    story = Story(policy)
    story.reading(-1, 100)
    story.release(0, "A", pages=5)
    story.release(2, "B", pages=7)
    story.ended(6, "A")
    story.ended(7, "B")
    story.reading(8, after - 3, state="printing")
    story.rest(12, 40, after)
    return story


def test_two_overlapping_releases_whose_sum_fits_each_get_their_own() -> None:
    """frappe/erpnext#36448 (equal items, no order): A 5, B 7, 100 then 112."""
    ledger = _overlapping(112).ledger()
    (joint,) = brackets(ledger)
    assert (joint.grade, joint.verdict) == (Grade.MATCHED, Verdict.AGREES)
    assert [charge(ledger, name).counted for name in ("A", "B")] == [5, 7]
    assert kinds(ledger) == []


def test_two_overlapping_releases_whose_sum_does_not_fit_are_one_joint_discrepancy() -> None:
    """The same: after 113 it is +1 of the bracket, and no one's guilt."""
    ledger = _overlapping(113).ledger()
    (joint,) = brackets(ledger)
    assert joint.verdict is Verdict.SURPLUS
    assert "about-the-bracket" in joint.reasons
    assert "2 releases together" in text_of(finding(ledger, "surplus"))
    # Somebody may have copied by hand, and one of them got nothing: no page is surely theirs.
    assert accounts(ledger) == {"house:unattributed": 13}
    assert [charge(ledger, name).unproven for name in ("A", "B")] == [5, 7]


def test_a_job_that_comes_once_more_without_a_release_is_stray_with_a_suggestion() -> None:
    """apple/cups#3810: release at 10:00 +1, nothing at 14:00 but +1. Linked by its size, charged to nobody."""
    story = Story()
    printed(story, 0, 100, 101, pages=1)
    story.rest(4 * HOUR - 60, 4 * HOUR, 101, every=30)
    story.rest(4 * HOUR + 30, 4 * HOUR + 90, 102, every=30)
    ledger = story.ledger()
    told = finding(ledger, "stray-pages")
    assert lines_of(told)[1:] == [
        "possibly release r1 of urn:invented:server printed again: it counted the same number"
    ]
    assert told.releases == (ReleaseKey("urn:invented:server", "r1"),)
    assert accounts(ledger) == {"person:owner-r1": 1, "house:stray": 1}


def test_pages_that_a_release_missed_and_that_come_hours_later_are_stray_with_a_link() -> None:
    """apple/cups#1956: release 10:00, +0 until 12:00, +4 at 15:30."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=4)
    story.ended(3)
    story.rest(5, 2 * HOUR, 100, every=600)
    printed(story, 2 * HOUR + 60, 100, 102, pages=2)
    story.rest(5.5 * HOUR, 5.5 * HOUR + 60, 106, every=30)
    ledger = story.ledger()
    assert kinds(ledger) == ["shortfall", "stray-pages"]
    told = finding(ledger, "stray-pages")
    assert lines_of(told)[1:] == ["possibly the pages of release r1 of urn:invented:server: it missed the same number"]
    assert accounts(ledger) == {"person:owner-r2": 2, "house:stray": 4}


def test_stray_pages_of_another_number_are_linked_to_nobody() -> None:
    story = Story()
    printed(story, 0, 100, 103, pages=3)
    story.rest(HOUR, HOUR + 60, 105, every=30)
    assert len(finding(story.ledger(), "stray-pages").evidence) == 1


def test_a_job_that_was_moved_says_what_it_was_and_is_merged_with_nothing() -> None:
    """apple/cups#1534, #302: A-10 moved to B shows as B-11; linked by an explicit ``was`` alone."""
    origin = Origin("urn:invented:server", "e1", 0, 0)
    data = {"release": "r", "job": "B-11", "owner": "ann", "printer": "p", "was": "A-10"}
    event = event_of(RELEASE_STARTED, origin, data)
    assert isinstance(event, ReleaseStarted)
    assert (event.job, event.was) == ("B-11", "A-10")
    assert data_of(event) == (RELEASE_STARTED, data)


@pytest.mark.parametrize(
    ("outcome", "counted", "verdict"),
    [
        ("completed", 4, Verdict.SHORTFALL),
        ("cancelled", 4, Verdict.AGREES),
        ("aborted", 4, Verdict.AGREES),
        ("completed", 10, Verdict.AGREES),
        ("cancelled", 0, Verdict.AGREES),
    ],
)
def test_ended_is_not_printed(outcome: Outcome, counted: int, verdict: Verdict) -> None:
    """OpenPrinting/cups#828: of ten pages a completed job owes ten, a cancelled or aborted one what came out."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=10)
    story.ended(3, outcome=outcome)
    story.rest(6, 40, 100 + counted)
    one = charge(story.ledger(), "r1")
    assert (one.counted, one.charged, one.verdict) == (counted, counted, verdict)
