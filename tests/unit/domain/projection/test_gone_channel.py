"""A channel that is no longer answered holds nothing up for good: what it was is closed, and a projection resumes."""

from __future__ import annotations

from pagereeve.domain.brackets.runs import GONE_US
from pagereeve.domain.ledger import Grade
from pagereeve.domain.projection.projector import replay
from pagereeve.domain.values.instants import SECOND_US
from tests.property.keeping import Keeping
from tests.unit.domain.story import PRINTER, Story, impressions

EVERY_S = 60
GONE_S = GONE_US // SECOND_US


def worked(story: Story, first: int, until: int, total: int, *, colour: bool) -> int:
    """A release of two pages a minute. The total at the end."""
    for nth in range(first, until):
        begun_s = nth * EVERY_S
        more = impressions(colour=total // 2) if colour else {}
        story.reading(begun_s - 1, total, counts=more)
        story.release(begun_s, f"r{nth}", pages=2)
        story.ended(begun_s + 3)
        total += 2
        more = impressions(colour=total // 2) if colour else {}
        story.rest(begun_s + 8, begun_s + 40, total, every=16, counts=more)
    return total


def test_what_waits_for_a_gone_channel_is_closed_and_nothing_grows() -> None:
    story, hour = Story(), GONE_S // EVERY_S
    total = worked(story, 1, 20, 1_000, colour=True)
    total = worked(story, 20, 20 + 3 * hour, total, colour=False)
    keeping = Keeping(PRINTER, 120 * SECOND_US)
    kept = []
    for fact, current in story.steps:
        keeping.take(fact, current)
        kept.append(len(keeping.projector._facts))
    whole = replay(PRINTER, story.facts, story.current)
    assert keeping.ledger() == whole
    assert max(kept[-len(kept) // 3 :]) < max(kept) / 4
    colour = [one for one in whole.stretches if one.channel == "colour" and one.releases]
    assert [one.grade for one in colour[:-1]] == [Grade.TIGHT] * (len(colour) - 1)
    # The hour in which it might have come back is closed in one stretch, which claims nothing.
    assert colour[-1].grade is Grade.BROKEN
    assert len(colour[-1].releases) >= hour - 1
    assert {one.charged for one in whole.charges if one.channel == "colour" and one.grade is Grade.BROKEN} == {0}


def test_a_gone_channel_that_comes_back_is_counted_anew() -> None:
    story, hour = Story(), GONE_S // EVERY_S
    total = worked(story, 1, 5, 1_000, colour=True)
    total = worked(story, 5, 10 + hour, total, colour=False)
    worked(story, 10 + hour, 20 + hour, total, colour=True)
    keeping = Keeping(PRINTER, 120 * SECOND_US)
    for nth, (fact, current) in enumerate(story.steps):
        if nth % 7 == 0:
            keeping.begin_again()
        keeping.take(fact, current)
    whole = replay(PRINTER, story.facts, story.current)
    assert keeping.ledger() == whole
    last = [one for one in whole.stretches if one.channel == "colour"][-1]
    assert (last.grade, last.counted, last.run) == (Grade.TIGHT, 1, 2)
    assert [one.kind for one in whole.findings if one.kind.startswith("meter-")] == []
