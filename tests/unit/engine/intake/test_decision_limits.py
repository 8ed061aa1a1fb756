"""So many pages a credential decides on in any 24 hours, counted from what is stored."""

from __future__ import annotations

import asyncio

import pytest

from pagereeve.domain.facts.events import AUTHOR, PAGES_DECIDED
from pagereeve.domain.facts.facts import Origin, PagesDecided
from pagereeve.domain.facts.page_decision import DECISIONS_SOURCE, PageDecision
from pagereeve.domain.values.instants import to_text
from pagereeve.engine.intake.decision_limits import DAY_US, DecisionLimits
from pagereeve.feeds.refusals import refusal_of
from pagereeve.ports.intake import DecidedEnough, Envelope
from pagereeve.store.memory.journal import MemoryJournal

NOW_US = 10 * DAY_US
HOUR_US = DAY_US // 24


def now_us() -> int:
    return NOW_US


def decided(name: str, ago_us: int, pages: int, by: str = "porter") -> PagesDecided:
    """Claimed long before it was received: the second counts."""
    origin = Origin(DECISIONS_SOURCE, name, NOW_US - 9 * DAY_US, NOW_US - ago_us)
    return PagesDecided("p", origin, by, PageDecision("waive", pages, "jam", "total", "/server", "r"))


def asked(pages: object, limit: int | None, name: str = "new", by: str = "porter") -> Envelope:
    data = {AUTHOR: by, "pages": pages}
    return Envelope(DECISIONS_SOURCE, name, PAGES_DECIDED, None, data, pages_day_max=limit)


async def journal_of(*facts: PagesDecided) -> MemoryJournal:
    journal = MemoryJournal()
    for fact in facts:
        await journal.append(fact)
    return journal


KNOWN = [
    decided("d-1", 30 * HOUR_US, 100),
    decided("d-2", 20 * HOUR_US, 5),
    decided("d-3", HOUR_US, 4),
    decided("d-4", HOUR_US, 50, "warden"),
]


@pytest.mark.parametrize(
    ("envelope", "passes"),
    [
        (asked(1, 10), True),
        (asked(2, 10), False),
        (asked(4, 9, "d-3"), True),
        (asked(2, None), True),
        (asked("many", 0), True),
        (asked(0, 9), True),
        (asked(1, 50, by="warden"), False),
        (asked(10, 10, by="clerk"), True),
        (asked(11, 10, by="clerk"), False),
    ],
)
async def test_pages_of_the_last_24_hours_count_and_one_that_is_sent_again_does_not(
    envelope: Envelope, passes: bool
) -> None:
    # Made anew each time, as after a restart: nothing but the journal is counted.
    limits = DecisionLimits(await journal_of(*KNOWN), now_us)
    try:
        async with limits.room_for(envelope):
            assert passes
    except DecidedEnough:
        assert not passes


async def test_the_answer_names_the_limit_and_when_there_is_room_again() -> None:
    limits = DecisionLimits(await journal_of(*KNOWN), now_us)
    for pages, text in (
        (
            3,
            f"1 page of 10 (pages_day_max) is left; there is room for so many again at {to_text(NOW_US + 4 * HOUR_US)}",
        ),
        (9, f"there is room for so many again at {to_text(NOW_US + 23 * HOUR_US)}"),
        (11, "no day has room for so many"),
    ):
        with pytest.raises(DecidedEnough) as caught:
            async with limits.room_for(asked(pages, 10)):
                pass
        assert text in caught.value.problem
        refusal = refusal_of(caught.value)
        assert (refusal.reason, refusal.where, refusal.cause) == ("forbidden", "data.pages", "pages-day-max")


async def test_of_two_at_once_the_second_sees_the_first() -> None:
    journal = await journal_of()
    limits = DecisionLimits(journal, now_us)

    async def decide(name: str) -> bool:
        try:
            async with limits.room_for(asked(6, 10, name)):
                await asyncio.sleep(0)
                await journal.append(decided(name, 0, 6))
        except DecidedEnough:
            return False
        return True

    assert sorted(await asyncio.gather(*map(decide, "abc"))) == [False, False, True]
