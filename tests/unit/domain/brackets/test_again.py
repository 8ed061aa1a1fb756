"""A release's name a second time: the same notice, the same job once more, or another job; whose an end is."""

from __future__ import annotations

import pytest

from pagereeve.domain.brackets.timeline import Timeline, paired, started_again
from pagereeve.domain.facts.facts import ReleaseEnded, ReleaseStarted
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.ledger import Verdict
from tests.findings import text_of
from tests.unit.domain.story import Story, accounts, at_us, charge, finding, kinds

HOUR = 3600.0


def story_of(*, second: float, owner: str = "owner-r", job: str = "job-r", pages: int = 4, counted: int = 0) -> Story:
    """A release of 4 pages at 0, and a notice of the same name later."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, "r", pages=4, event="first")
    story.ended(3, "r")
    story.rest(5, 60, 104)
    story.rest(second - 20, second - 1, 104, every=19)
    story.release(second, "r", pages=pages, owner=owner, job=job, event="second")
    if counted:
        story.ended(second + 4, "r", event="second-end")
    story.rest(second + 5, second + 150, 104 + counted, every=29)
    return story


def test_the_same_notice_under_another_id_changes_nothing() -> None:
    """A source that replays a day gives its events new ids; their times, jobs and tickets are the same."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, "r", pages=4, event="first")
    story.ended(3, "r")
    story.rest(5, 60, 104)
    once = story.ledger()
    story.release(0, "r", pages=4, event="replayed")
    ledger = story.ledger()
    assert ledger.charges == once.charges
    assert ledger.postings == once.postings
    assert kinds(ledger) == ["repeated-release"]
    assert "changes nothing" in text_of(finding(ledger, "repeated-release"))


def test_a_job_let_go_once_more_may_print_or_not() -> None:
    quiet = story_of(second=HOUR)
    ledger = quiet.ledger()
    assert kinds(ledger) == ["repeated-release"]
    assert accounts(ledger) == {"person:owner-r": 4}
    printing = story_of(second=HOUR, counted=4)
    ledger = printing.ledger()
    assert kinds(ledger) == ["repeated-release"]
    assert accounts(ledger) == {"person:owner-r": 8}


def test_a_name_used_for_another_job_is_a_release_of_its_own() -> None:
    """apple/cups#1582: job 2 (89088 bytes), a crash, job 2 (88064 bytes): two jobs."""
    story = story_of(second=HOUR, owner="somebody-else", job="job-2", pages=3, counted=3)
    ledger = story.ledger()
    assert kinds(ledger) == ["repeated-release"]
    assert accounts(ledger) == {"person:owner-r": 4, "person:somebody-else": 3}
    assert [(one.owner, one.charged, one.verdict) for one in ledger.charges] == [
        ("owner-r", 4, Verdict.AGREES),
        ("somebody-else", 3, Verdict.AGREES),
    ]


def test_a_reused_name_that_prints_nothing_is_a_shortfall_of_its_own() -> None:
    story = story_of(second=HOUR, owner="somebody-else", job="job-2", pages=3)
    ledger = story.ledger()
    assert kinds(ledger) == ["release-never-ended", "repeated-release", "shortfall"]
    assert accounts(ledger) == {"person:owner-r": 4}


def test_six_digits_that_begin_anew_are_names_like_others() -> None:
    story = Story()
    story.reading(-1, 100)
    for nth, name in enumerate(("999999", "000001", "1")):
        begin_s = 100.0 * nth
        story.release(begin_s, name, pages=2)
        story.ended(begin_s + 2, name)
        story.rest(begin_s + 5, begin_s + 60, 102 + 2 * nth)
    ledger = story.ledger()
    assert kinds(ledger) == []
    assert {one.release.release: one.charged for one in ledger.charges} == {"999999": 2, "000001": 2, "1": 2}


def notices(story: Story) -> tuple[list[ReleaseStarted], list[ReleaseEnded]]:
    starts = [fact for fact in story.facts if isinstance(fact, ReleaseStarted)]
    return starts, [fact for fact in story.facts if isinstance(fact, ReleaseEnded)]


def test_facts_reach_as_far_as_the_latest_of_them() -> None:
    assert Timeline.of("p", [], Rules()).horizon_us == 0
    story = Story(policy=None)
    for name, add, second in (
        ("start", lambda at: story.release(at, "r"), 10),
        ("end", lambda at: story.ended(at, "r"), 20),
        ("reading", lambda at: story.reading(at - 0.1, 100), 30),
        ("another", lambda at: story.reading(at - 0.1, 101), 40),
        ("silence", lambda at: story.failed(at - 2), 50),
    ):
        add(second)
        facts = [*story.facts, *([] if story.current is None else [story.current])]
        assert Timeline.of("p", facts, Rules()).horizon_us == at_us(second), name


def test_an_end_belongs_to_the_latest_start_before_it() -> None:
    story = Story()
    story.release(0, "r", event="a")
    story.release(100, "r", event="b", owner="other")
    story.ended(50, "r", event="end-a")
    story.ended(150, "r", event="end-b")
    starts, ends = notices(story)
    pairs = paired(starts, ends, started_again(starts))
    assert {start.origin.id: pairs[start.origin.key].origin.id for start in starts} == {"a": "end-a", "b": "end-b"}


def test_an_end_that_claims_to_be_before_its_start_is_still_its_own() -> None:
    story = Story()
    story.release(20, "r", event="a")
    story.ended(10, "r")
    starts, ends = notices(story)
    assert list(paired(starts, ends, {}).values()) == ends


@pytest.mark.parametrize("figures", [(1, 3, 8), (8, 3, 1), (8, 8, 8), (None, 8, None), (0, 8, 0)])
def test_figures_of_progress_are_running_totals(figures: tuple[int | None, ...]) -> None:
    """apple/cups#5571: 1, 3, 8 is 8, not 12; apple/cups#4991, #2584: equal totals count once."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=None)
    for nth, pages in enumerate(figures):
        story.ended(4 + nth, pages_sent=pages, event=f"end-{nth}")
    story.rest(8, 60, 108)
    one = charge(story.ledger(), "r1")
    assert (one.released, one.charged, one.ended_us) == (8, 8, at_us(4))


def test_a_completed_job_of_no_pages_is_a_server_that_does_not_know() -> None:
    """apple/cups#4991: a total of 0 with pages printed."""
    story = Story()
    story.reading(-1, 100)
    story.release(0, pages=None)
    story.ended(4, pages_sent=0)
    story.rest(8, 60, 103)
    one = charge(story.ledger(), "r1")
    assert (one.released, one.verdict) == (None, Verdict.UNPROVEN)
    assert "pages-unknown" in one.reasons
