"""A setting tried on the same facts: what would go, what would come, whose charges would be others."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any, Final

import pytest

from pagereeve.domain.brackets.hypotheses import BY_NAME, HYPOTHESES
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.ledger import Finding
from pagereeve.domain.projection.projector import replay
from pagereeve.domain.projection.what_if import CHANGES, SETTLE_TWICE, WhatIf, change_named, changes_for, what_if
from tests.unit.domain.story import POLICY, Story, finding, printed

TWO: Final = "two-sided-long-edge"
# Hypotheses whose cure is a deed, or a printer's entry: no policy.
OTHERS: Final = {"copies-twice", "counts-sheets", "counts-sides"}


def tried(story: Story, name: str) -> WhatIf:
    change = change_named(name)
    assert change is not None
    before = replay(story.printer, story.facts, story.current)
    came = what_if(story.printer, Rules.of(story.facts), story.facts, None, story.current, change)
    # Trying changes nothing.
    assert replay(story.printer, story.facts, story.current) == before
    return came


def with_blank_backs(*counted: int) -> Story:
    """Three pages on two sheets, so often, at a printer that is said not to count the blank back."""
    story = Story(replace(POLICY, blank_backs="not-counted"))
    total = 1_000
    for nth, pages in enumerate(counted):
        printed(story, 100 + 60 * nth, total, total + pages, pages=3, sides=TWO)
        total += pages
    return story


def test_the_findings_that_a_setting_would_remove_go_and_what_it_names_is_its_line() -> None:
    story = with_blank_backs(4, 4, 4)
    came = tried(story, "blank-backs-counted")
    assert Counter(one.kind for one in came.gone) == {"surplus": 3, "diagnosis": 1}
    assert (came.come, came.other, came.findings) == ((), (), 4)
    told = [one.words(POLICY) for one in changes_for(came.gone[0], POLICY)]
    assert told == [("separator_sheets = 1",), ('blank_backs = "counted"',)]


def test_what_a_setting_would_break_is_told_as_well() -> None:
    came = tried(with_blank_backs(4, 3, 3), "blank-backs-counted")
    assert [one.kind for one in came.gone] == ["surplus"]
    assert [one.kind for one in came.come] == ["shortfall", "shortfall"]


def test_charges_that_would_be_others_stand_before_and_after() -> None:
    """docs.cpp.canon M124813, prtMarkerLifeCount: 20 large sides step 40 where the weight is 2."""
    story = Story(replace(POLICY, large_media_weight=1))
    printed(story, 100, 1_000, 1_040, pages=20, media="iso_a3_297x420mm", took_s=30)
    came = tried(story, "large-media-twice")
    assert [one.kind for one in came.gone] == ["surplus"]
    [change] = came.charges
    assert change.before is not None
    assert change.after is not None
    assert (change.before.charged, change.after.charged) == (20, 40)


def test_a_finding_that_stays_with_other_pages_is_neither_gone_nor_new() -> None:
    came = tried(with_blank_backs(9), "blank-backs-counted")
    assert (came.gone, came.come) == ((), ())
    [(before, after)] = came.other
    assert (before.pages, after.pages) == (6, 5)


def test_pages_after_the_settle_time_are_the_releases_with_a_longer_one() -> None:
    story = Story(POLICY)
    story.reading(99, 1_000)
    story.release(100, pages=4)
    story.ended(103)
    story.reading(104, 1_000, state="printing")
    story.rest(106, 118, 1_002, every=3)
    story.rest(119, 160, 1_004, every=3)
    stray = finding(story.ledger(), "stray-pages")
    assert changes_for(stray, POLICY) == [SETTLE_TWICE]
    assert SETTLE_TWICE.words(POLICY) == ('settle = "20s"',)
    assert SETTLE_TWICE.words(replace(POLICY, settle_us=150_000)) == ('settle = "300ms"',)
    came = tried(story, SETTLE_TWICE.name)
    assert [one.kind for one in came.gone] == ["shortfall", "stray-pages"]
    [change] = came.charges
    assert change.charge.release.release == "r1"
    assert [one.charged for one in (change.before, change.after) if one is not None] == [2, 4]


def test_what_the_policy_has_already_changes_nothing_and_is_not_offered() -> None:
    story = with_blank_backs(4)
    assert tried(story, "blank-backs-not-counted").changes_nothing
    surplus = finding(story.ledger(), "surplus")
    assert _offered(surplus, blank_backs="not-counted") == ["banner-sheet", "blank-backs-counted"]
    assert _offered(surplus, blank_backs="counted") == ["banner-sheet"]


def _offered(one: Finding, **policy: Any) -> list[str]:
    return [change.name for change in changes_for(one, replace(POLICY, **policy))]


def test_a_printer_that_nobody_registered_is_tried_by_the_defaults() -> None:
    story = Story(None)
    printed(story, 100, 1_000, 1_003, pages=3, sides=TWO)
    assert tried(story, "banner-sheet").findings == len(story.ledger().findings)


def test_every_hypothesis_whose_cure_is_a_policy_can_be_tried_and_alone_those() -> None:
    assert {one.name for one in HYPOTHESES} == (CHANGES.keys() - {SETTLE_TWICE.name}) | OTHERS
    for name, change in CHANGES.items():
        assert change.changed(Policy()) != Policy()
        if name in BY_NAME:
            # Said alike in both places, up to what else must be so.
            assert BY_NAME[name].cure.startswith(change.words(Policy())[0])


@pytest.mark.parametrize(
    "name", ["", "copies-twice", "banner-sheet+copies-twice", "settle-twice+settle-twice+settle-twice"]
)
def test_no_other_name_is_a_change(name: str) -> None:
    assert change_named(name) is None


def test_a_pair_is_two_settings_at_once() -> None:
    change = change_named("banner-sheet+copies-not-made")
    assert change is not None
    changed = change.changed(Policy())
    assert (changed.separator_sheets, changed.copies) == (1, "in-pages")
    assert change.words(Policy()) == ("separator_sheets = 1", 'copies = "in-pages"')
