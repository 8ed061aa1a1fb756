"""What shows only over many brackets: a steady bias, a pattern, a meter that stands still."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from pagereeve.domain.ledger import Finding, Grade, ReleaseKey, Verdict
from pagereeve.domain.patterns.bias import SIGNS_KEPT, BiasStep, Excursion, after, signs_after
from pagereeve.domain.patterns.diagnosis import RECENT_MAX
from pagereeve.domain.projection.projector import Ledger
from pagereeve.domain.projection.resume_point import ResumePoint
from pagereeve.domain.values.instants import SECOND_US
from tests.findings import lines_of, text_of
from tests.property.keeping import Keeping
from tests.unit.domain.story import POLICY, SERVER, Story, at_us, finding, impressions, kinds, printed

TOLERANT = replace(POLICY, tolerance_pages=1)
KEY = ReleaseKey(SERVER, "r")


def jobs(story: Story, differences: Sequence[int], *, pages: int = 4, begin_s: float = 0, count: int = 1000) -> int:
    """A job every 100 s, off by so many pages; the count at the end."""
    for nth, difference in enumerate(differences):
        after_job = count + pages + difference
        printed(story, begin_s + 100 * nth, count, after_job, pages=pages, separator_sheets=None)
        count += pages + difference
    return count


def alarm_at(differences: Sequence[int], tolerance: int = 1) -> int | None:
    """The job of the first alarm of either sign, counted from 1."""
    held: dict[int, Excursion | None] = {1: None, -1: None}
    signs = ""
    for job, difference in enumerate(differences, 1):
        step = BiasStep(difference, tolerance, job, KEY)
        signs = signs_after(signs, step)
        for sign, before in held.items():
            held[sign] = one = after(before, step, sign, signs)
            if one is not None and one.alarmed:
                return job
    return None


def test_one_page_in_three_jobs_is_told_at_the_twenty_first() -> None:
    """k = 0.2, h = 3, by hand: 0.8 after the first page, 0.4 more with each three jobs, 3.2 with the seventh page."""
    assert alarm_at([0, 0, 1] * 20) == 21
    assert alarm_at([0, 0, -1] * 20) == 21


def test_a_balanced_series_with_pauses_is_quiet() -> None:
    """By hand: no page is followed by another of its sign before its 0.8 are gone."""
    assert alarm_at([0, 1, 0, -1, 0, 0, 1, -1, 0, 0] * 500) is None


@pytest.mark.parametrize("pattern", [[1, -1], [1, 1, -1, -1], [1, -1, 0], [1, 1, 1, -1, -1, -1, 0, 0]])
def test_balanced_noise_is_quiet(pattern: list[int]) -> None:
    assert alarm_at(pattern * 500) is None


def test_a_bias_is_a_share_of_what_is_tolerated() -> None:
    assert alarm_at([0, 0, 5] * 20, tolerance=5) == 21
    assert alarm_at([0, 0, 1] * 200, tolerance=5) is None


def test_signs_are_kept_in_bounds() -> None:
    signs = ""
    for nth in range(100):
        signs = signs_after(signs, BiasStep(1 if nth % 2 else -1, 1, nth, KEY))
    assert len(signs) == SIGNS_KEPT


def test_a_bias_is_one_finding_from_its_first_page_on_and_over_when_it_has_gone() -> None:
    story = Story(TOLERANT)
    count = jobs(story, [0, 0, 1] * 7)
    told = finding(story.ledger(), "steady-bias")
    assert (told.state, told.pages, told.until_us) == ("open", 7, None)
    assert told.since_us == at_us(2 * 100 + 16.1)
    assert "+7 pages in 19 brackets" in text_of(told)
    assert "the first of them: release r3 of urn:invented:server" in lines_of(told)
    assert set(kinds(story.ledger())) == {"steady-bias"}
    jobs(story, [0] * 40, begin_s=2_100, count=count)
    told = finding(story.ledger(), "steady-bias")
    assert told.state == "closed"
    assert told.until_us is not None


def test_a_bias_does_not_cross_the_end_of_a_meter_run() -> None:
    story = Story(TOLERANT)
    jobs(story, [0, 0, 1] * 6)
    story.serial = "K2"
    jobs(story, [0, 0, 1] * 6, begin_s=2_000, count=77)
    assert "steady-bias" not in kinds(story.ledger())


def test_what_is_a_finding_already_is_no_part_of_a_bias() -> None:
    """Three pages of one tolerated: each is a surplus, and the brackets between them are as expected."""
    story = Story(TOLERANT)
    jobs(story, [0, 0, 3] * 7)
    assert kinds(story.ledger()).count("surplus") == 7
    assert "steady-bias" not in kinds(story.ledger())


def test_brackets_between_old_readings_say_nothing_of_a_bias() -> None:
    """Nobody read the meter for a quarter of an hour before each job: anybody's page may be in the count."""
    story, count = Story(TOLERANT), 1000
    for nth in range(30):
        begin_s = 1000.0 * nth
        story.reading(begin_s - 900, count)
        story.release(begin_s, pages=4)
        story.ended(begin_s + 3)
        count += 5
        story.rest(begin_s + 6, begin_s + 40, count)
    ledger = story.ledger()
    assert {one.grade for one in ledger.charges} == {Grade.WIDE}
    assert {one.verdict for one in ledger.charges} == {Verdict.AGREES}
    assert kinds(ledger) == []


def test_jobs_with_copies_beside_them_say_nothing_of_a_pattern() -> None:
    """A page more with each job, as a banner sheet would make it; but the meter itself says that it was a copy."""
    story = Story()
    for nth in range(6):
        before, begin_s = impressions(total=1000 + 5 * nth, copies=100 + nth), 100.0 * nth
        after_job = impressions(total=1005 + 5 * nth, copies=101 + nth)
        story.reading(begin_s - 1, counts=before)
        story.release(begin_s, pages=4)
        story.ended(begin_s + 3)
        for second in (6, 18, 30):
            story.reading(begin_s + second, counts=after_job)
    ledger = story.ledger()
    assert {one.verdict for one in ledger.charges if one.channel == "total"} == {Verdict.AGREES}
    assert kinds(ledger) == []


def test_without_a_tolerance_each_page_is_a_finding_of_its_own() -> None:
    story = Story()
    jobs(story, [0, 0, 1] * 7)
    assert kinds(story.ledger()).count("surplus") == 7
    assert "steady-bias" not in kinds(story.ledger())


def test_a_banner_with_each_job_is_diagnosed_with_the_setting_that_removes_it() -> None:
    story = Story()
    jobs(story, [1] * 5)
    told = finding(story.ledger(), "diagnosis")
    assert "5 of 5 differences among the last 5 brackets" in text_of(told)
    assert "separator_sheets = 1" in text_of(told)
    assert told.since_us == at_us(216.1)
    cured = Story(replace(POLICY, separator_sheets=None))
    jobs(cured, [1] * 5)
    assert kinds(cured.ledger()) == []


def test_a_hypothesis_that_other_brackets_contradict_is_no_diagnosis() -> None:
    """Three jobs of twelve were off by a page: whatever it is, it is no banner sheet with each job."""
    story = Story()
    jobs(story, [1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0, 0])
    assert "diagnosis" not in kinds(story.ledger())


def test_copies_applied_twice_are_told_from_jobs_without_copies() -> None:
    story, count = Story(), 1000
    for nth in range(8):
        copies = 2 if nth % 2 else 1
        counted = 3 * copies**2
        printed(story, 100 * nth, count, count + counted, pages=3, copies=copies)
        count += counted
    told = finding(story.ledger(), "diagnosis")
    assert "the copies are applied twice" in text_of(told)
    assert "4 of 4" in text_of(told)


def printed_with(story: Story, extra: int, power: int, jobs_made: int = 8) -> None:
    """Every second job has two copies of 3 pages; each is off by so many sheets, and its copies by such a power."""
    count = 1000
    for nth in range(jobs_made):
        copies = 2 if nth % 2 else 1
        counted = 3 * copies**power + extra
        printed(story, 100 * nth, count, count + counted, pages=3, copies=copies, separator_sheets=None)
        count += counted


@pytest.mark.parametrize(
    ("extra", "power", "texts"),
    [
        (1, 2, ("brings one sheet", "the copies are applied twice")),
        (2, 2, ("brings two sheets", "the copies are applied twice")),
        (1, 0, ("brings one sheet", "copies are not made")),
    ],
)
def test_two_causes_at_once_are_diagnosed_where_neither_alone_explains_enough(
    extra: int, power: int, texts: tuple[str, str]
) -> None:
    story = Story()
    printed_with(story, extra, power)
    told = finding(story.ledger(), "diagnosis")
    assert all(text in text_of(told) for text in texts)
    assert "8 of 8 differences" in text_of(told)
    assert "separator_sheets" in text_of(told)


@pytest.mark.parametrize(("extra", "power", "name"), [(1, 1, "banner-sheet"), (0, 2, "copies-twice")])
def test_a_single_cause_is_preferred_to_two(extra: int, power: int, name: str) -> None:
    story = Story()
    printed_with(story, extra, power)
    assert finding(story.ledger(), "diagnosis").what.value("hypothesis") == name


def test_two_differences_are_no_diagnosis() -> None:
    story = Story()
    jobs(story, [1, 1])
    assert "diagnosis" not in kinds(story.ledger())


def test_a_diagnosis_is_over_when_its_pattern_is() -> None:
    story = Story()
    count = jobs(story, [1] * 4)
    jobs(story, [0] * (RECENT_MAX + 2), begin_s=400, count=count)
    told = finding(story.ledger(), "diagnosis")
    assert told.state == "closed"


def still(*, releases: int) -> Story:
    story = Story()
    story.reading(-1, 500)
    for nth in range(releases):
        story.release(200 * nth, pages=3)
        story.ended(200 * nth + 3)
        story.rest(200 * nth + 5, 200 * nth + 150, 500, every=20)
    return story


def of_kind(ledger: Ledger, kind: str) -> list[Finding]:
    return [one for one in ledger.findings if one.kind == kind]


def test_a_meter_that_three_releases_do_not_move_stands_still() -> None:
    assert of_kind(still(releases=2).ledger(), "meter-stands-still") == []
    (told,) = of_kind(still(releases=3).ledger(), "meter-stands-still")
    assert (told.severity, told.state, told.since_us) == ("critical", "open", at_us(0))
    (told,) = of_kind(still(releases=5).ledger(), "meter-stands-still")
    assert "5 releases in a row ended, and the meter still shows 500" in text_of(told)
    assert lines_of(told)[-1] == "... and 2 more"
    assert [one.release for one in told.releases] == ["r1", "r2", "r3", "r4", "r5"]


def test_a_new_printers_meter_may_stand_still_at_nothing() -> None:
    story = Story()
    story.reading(-1, 0)
    for nth in range(3):
        story.release(200 * nth, pages=3)
        story.ended(200 * nth + 3)
        story.rest(200 * nth + 5, 200 * nth + 150, 0, every=20)
    (told,) = of_kind(story.ledger(), "meter-stands-still")
    assert text_of(told) == "3 releases in a row ended, and the meter still shows 0"


def test_a_meter_that_moves_again_stands_still_no_more() -> None:
    story = still(releases=3)
    printed(story, 700, 500, 503, pages=3)
    (told,) = of_kind(story.ledger(), "meter-stands-still")
    assert told.state == "closed"
    walked = still(releases=3)
    walked.rest(700, 760, 502)
    (told,) = of_kind(walked.ledger(), "meter-stands-still")
    assert told.state == "closed"


def test_cancelled_releases_say_nothing_of_a_meter() -> None:
    story = Story()
    story.reading(-1, 500)
    for nth in range(4):
        story.release(200 * nth, pages=3)
        story.ended(200 * nth + 3, outcome="cancelled")
        story.rest(200 * nth + 5, 200 * nth + 150, 500, every=20)
    assert "meter-stands-still" not in kinds(story.ledger())


def whose(story: Story, pages: int, second: float, count: int) -> list[str]:
    """What the finding says of whose the stray pages may be that come at a second, after a count."""
    story.rest(second, second + 60, count + pages)
    lines = [line for one in of_kind(story.ledger(), "stray-pages") for line in lines_of(one)]
    return [line for line in lines if line.startswith("possibly")]


def short(*differences: int) -> tuple[Story, float, int]:
    """Jobs of ten pages that come out short or long by so many: the story, its end and the count there."""
    story = Story()
    count = jobs(story, differences, pages=10)
    return story, 100.0 * len(differences), count


@pytest.mark.parametrize(
    ("differences", "pages", "line"),
    [
        # apple/cups#1956: pages that a release missed and that came later.
        ([-2], 2, "possibly the pages of release r1 of urn:invented:server: it missed the same number"),
        ([-2], 3, None),
        # apple/cups#3810: a job that was printed again.
        ([0], 10, "possibly release r1 of urn:invented:server printed again: it counted the same number"),
        ([-2], 8, "possibly release r1 of urn:invented:server printed again: it counted the same number"),
        ([0], 9, None),
        # The latest that fits, and what is missing before what may have come again.
        ([-2, -2], 2, "possibly the pages of release r2 of urn:invented:server: it missed the same number"),
        ([-4, 0, -6], 4, "possibly the pages of release r1 of urn:invented:server: it missed the same number"),
        # Of three at most, and of those that miss nothing the last alone.
        ([-1, -2, -3, -4], 1, None),
        ([-1, -2, -3, -4], 2, "possibly the pages of release r2 of urn:invented:server: it missed the same number"),
        ([5, 0], 15, None),
    ],
)
def test_whose_stray_pages_may_be(differences: list[int], pages: int, line: str | None) -> None:
    story, end_s, count = short(*differences)
    assert whose(story, pages, end_s, count) == ([] if line is None else [line])


def test_stray_pages_of_another_device_are_nobodys_of_the_one_before() -> None:
    story, end_s, _ = short(-2)
    story.serial = "K2"
    story.rest(end_s, end_s + 60, 50)
    assert whose(story, 2, end_s + 100, 50) == []


def test_what_is_remembered_survives_a_resume_point_as_json() -> None:
    story = Story(TOLERANT)
    jobs(story, [0, 0, 1] * 6)
    keeping = Keeping(story.printer, 10 * SECOND_US)
    for fact, current in story.steps:
        keeping.take(fact, current)
    resume_points = [segment.resume_point for segment in keeping.segments.values() if segment.resume_point is not None]
    latest = max((ResumePoint.from_json(resume_point) for resume_point in resume_points), key=lambda one: one.at_us)
    assert latest.memory.habits.up is not None
    assert latest.memory.habits.recent
    assert ResumePoint.from_json(latest.to_json()) == latest
