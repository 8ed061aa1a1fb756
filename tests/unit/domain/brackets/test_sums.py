"""A sum keeps its parts: none of them hides behind the others."""

from __future__ import annotations

import pytest

from pagereeve.domain.facts.reading import Count, Counter, Unit
from pagereeve.domain.ledger import Verdict
from tests.unit.domain.story import Story, accounts, charge, finding, kinds

SOURCE = "Printer-MIB"
COPIER, PRINTER = "1.3.6.1.4.1.32473.1", "1.3.6.1.4.1.32473.2"


def parts(channel: str, **values: int) -> tuple[Counter, ...]:
    names = {"copier": COPIER, "printer": PRINTER}
    return tuple(
        Counter(names[name], value, channel, SOURCE, Unit.IMPRESSIONS, part=True) for name, value in values.items()
    )


def rest(story: Story, first: float, last: float, channel: str = "total", **values: int) -> None:
    """Equal readings of a sum of counters, beside a total where it is not that."""
    count = Count(sum(values.values()), Unit.IMPRESSIONS, 0, f"{SOURCE} {channel}")
    known = {channel: count} if channel == "total" else {channel: count, "total": Count(500, Unit.IMPRESSIONS)}
    story.rest(first, last, None, counts=known, counters=parts(channel, **values))


@pytest.mark.parametrize("restart", [False, True])
def test_one_part_that_falls_while_another_rises_is_found(restart: bool) -> None:
    """12,000 -> 12,950 and 900 -> 0: the sum moves by 50, and 900 pages would be gone without a word."""
    story = Story()
    rest(story, -30, -1, copier=12_000, printer=900)
    story.release(0, "A", pages=50)
    story.ended(3)
    if restart:
        story.restart(4)
    rest(story, 80, 160, copier=12_950, printer=0)
    ledger = story.ledger()
    assert charge(ledger, "A").verdict is Verdict.UNPROVEN
    assert accounts(ledger) == {}
    what = finding(ledger, "meter-went-back").what
    assert [what.value(name) for name in ("part", "part_before", "part_after")] == [PRINTER, 900, 0]


def test_one_odd_part_between_two_that_fit_is_suspect() -> None:
    story = Story()
    rest(story, -30, -1, copier=12_000, printer=900)
    story.release(0, "A", pages=5)
    story.ended(3)
    rest(story, 8, 8, copier=12_905, printer=0)
    rest(story, 10, 60, copier=12_000, printer=905)
    ledger = story.ledger()
    assert (charge(ledger, "A").charged, kinds(ledger)) == (5, [])


def test_a_part_that_wraps_carries_the_sum_on() -> None:
    """RFC 2578 section 7.1.6: each counter wraps for itself, and the sum at no one figure."""
    story = Story()
    rest(story, -30, -1, copier=12_000, printer=2**32 - 3)
    story.release(0, "A", pages=5)
    story.ended(3)
    rest(story, 8, 60, copier=12_000, printer=2)
    ledger = story.ledger()
    assert (charge(ledger, "A").charged, kinds(ledger)) == (5, [])


def test_a_part_of_a_side_channel_ends_that_channels_run_alone() -> None:
    story = Story()
    rest(story, -30, -1, "mono", copier=12_000, printer=900)
    rest(story, 80, 160, "mono", copier=12_950, printer=0)
    what = finding(story.ledger(), "meter-went-back").what
    assert (what.value("channels"), what.value("part")) == (("mono",), PRINTER)


def test_parts_that_do_not_add_up_to_the_sum_judge_nothing() -> None:
    story = Story()
    total = Count(1000, Unit.IMPRESSIONS, 0, f"{SOURCE} total")
    story.rest(-30, -1, None, counts={"total": total}, counters=parts("total", copier=900))
    story.rest(8, 60, None, counts={"total": total}, counters=parts("total", copier=0))
    assert kinds(story.ledger()) == []
