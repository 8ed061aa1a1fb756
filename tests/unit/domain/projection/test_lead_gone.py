"""A total that the meter no longer answers, while it answers sheets: nothing waits for it without end."""

from __future__ import annotations

from pagereeve.domain.brackets.runs import GONE_US
from pagereeve.domain.facts.reading import Count, Unit
from pagereeve.domain.ledger import Verdict
from pagereeve.domain.projection.projector import Ledger, PrinterProjector, replay
from pagereeve.domain.values.instants import SECOND_US
from tests.property.keeping import Keeping
from tests.unit.domain.story import PRINTER, Story, at_us, finding

GONE_S = GONE_US // SECOND_US
LEFT_S, EVERY_S = 500, 600


def shows(story: Story, first: float, last: float, sheets: int, total: int | None) -> None:
    counts = {"sheets": Count(sheets, Unit.SHEETS)}
    if total is not None:
        counts["total"] = Count(total, Unit.IMPRESSIONS)
    story.rest(first, last, None, every=10, counts=counts)


def story_of(times: int, pages: int = 3, *, back_s: float | None = None) -> Story:
    """A release of three pages every ten minutes, of which the meter counts ``pages``; the total leaves behind the
    first, and comes back at ``back_s``.
    """
    story = Story()
    shows(story, -30, -1, 1_000, 2_000)
    for nth in range(times):
        start_s = EVERY_S * nth
        story.release(start_s, f"r{nth}", pages=3)
        story.ended(start_s + 3, f"r{nth}")
        known = nth == 0 or (back_s is not None and start_s >= back_s)
        sheets = 1_003 + pages * nth
        total = sheets + 1_000 if known else None
        shows(story, start_s + 8, start_s + 590, sheets, total)
    return story


def verdicts(ledger: Ledger, channel: str) -> dict[str, Verdict | None]:
    return {one.release.release: one.verdict for one in ledger.charges if one.channel == channel}


def kept(story: Story, stops: frozenset[int] = frozenset()) -> tuple[Ledger, PrinterProjector]:
    keeping = Keeping(PRINTER, 120 * SECOND_US)
    for place, (fact, current) in enumerate([*story.steps, (None, story.current)]):
        if place in stops:
            keeping.begin_again()
        keeping.take(fact, current)
    return keeping.ledger(), keeping.projector


def test_sheets_are_judged_throughout_and_after_an_hour_no_release_waits_for_the_total() -> None:
    ledger = story_of(12).ledger()
    assert set(verdicts(ledger, "sheets").values()) == {Verdict.AGREES}
    total = verdicts(ledger, "total")
    assert total["r0"] is Verdict.AGREES
    # Of those that started since it is gone the total knows nothing at all.
    assert {name for name, verdict in total.items() if verdict is Verdict.UNPROVEN} == {
        f"r{nth}" for nth in range(1, 8)
    }
    assert None not in total.values()


def test_the_resume_point_moves_on() -> None:
    _, before = kept(story_of(6))
    _, after = kept(story_of(12))
    assert before.resume_point is not None
    assert after.resume_point is not None
    assert before.resume_point.at_us < at_us(LEFT_S + EVERY_S)
    assert after.resume_point.at_us > at_us(LEFT_S + GONE_S)


def test_a_total_that_comes_back_is_counted_anew() -> None:
    story = story_of(14, back_s=EVERY_S * 9)
    ledger = story.ledger()
    assert set(verdicts(ledger, "sheets").values()) == {Verdict.AGREES}
    total = verdicts(ledger, "total")
    assert [total[f"r{nth}"] for nth in (10, 11, 12, 13)] == [Verdict.AGREES] * 4
    runs = {one.run for one in ledger.stretches if one.channel == "total" and one.verdict is Verdict.AGREES}
    assert len(runs) == 2


def test_what_shows_over_many_brackets_is_looked_for_in_the_sheets_once_the_total_is_gone() -> None:
    """Wherever a projection begins."""
    story = story_of(16, pages=4)
    ledger = story.ledger()
    told = {one.release for one in finding(ledger, "diagnosis").releases}
    assert told
    assert told <= {f"r{nth}" for nth in range(7, 16)}
    stops = frozenset(range(0, len(story.steps), 7))
    assert kept(story, stops)[0] == replay(PRINTER, story.facts, story.current) == ledger
