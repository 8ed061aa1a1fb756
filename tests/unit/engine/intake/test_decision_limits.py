"""So many pages a credential decides on in any 24 hours, counted from what is stored."""

from __future__ import annotations

import asyncio

import pytest

from pagereeve.domain.facts.facts import Origin, PagesDecided
from pagereeve.domain.facts.page_decision import DECISIONS_SOURCE, PageDecision
from pagereeve.domain.values.instants import to_text
from pagereeve.engine.intake.decision_limits import COUNTS_MAX, DAY_US, DecisionLimits
from pagereeve.feeds.refusals import refusal_of
from pagereeve.ports.intake import DecidedEnough
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.memory.journal import MemoryJournal

NOW_US = 10 * DAY_US
HOUR_US = DAY_US // 24


def now_us() -> int:
    return NOW_US


def decided(name: str, ago_us: int, pages: int, by: str = "porter") -> PagesDecided:
    """Claimed long before it was received: the second counts."""
    origin = Origin(DECISIONS_SOURCE, name, NOW_US - 9 * DAY_US, NOW_US - ago_us)
    return PagesDecided("p", origin, by, PageDecision("waive", pages, "jam", "total", "/server", "r"))


def asked(pages: int, name: str = "new", by: str = "porter") -> PagesDecided:
    return decided(name, 0, pages, by)


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
    ("said", "limit", "passes"),
    [
        (asked(1), 10, True),
        (asked(2), 10, False),
        (asked(4, "d-3"), 9, True),
        (asked(0), 9, True),
        (asked(1, by="warden"), 50, False),
        (asked(10, by="clerk"), 10, True),
        (asked(11, by="clerk"), 10, False),
    ],
)
async def test_pages_of_the_last_24_hours_count_and_one_that_is_sent_again_does_not(
    said: PagesDecided, limit: int, passes: bool
) -> None:
    # Made anew each time, as after a restart: nothing but the journal is counted.
    journal = await journal_of(*KNOWN)
    limits = DecisionLimits(journal, now_us)
    if passes:
        await limits.stored(said, limit)
    else:
        with pytest.raises(DecidedEnough):
            await limits.stored(said, limit)
    known = [one async for one in journal.page_decisions() if one.origin.id == said.origin.id]
    assert len(known) == (1 if passes else 0)


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
            await limits.stored(asked(pages), 10)
        assert text in caught.value.problem
        refusal = refusal_of(caught.value)
        assert (refusal.reason, refusal.where, refusal.cause) == ("forbidden", "data.pages", "pages-day-max")


@pytest.mark.parametrize("doors", [1, 3])
async def test_of_many_at_once_each_sees_those_that_passed_at_whatever_worker(doors: int) -> None:
    journal = await journal_of()
    limits = [DecisionLimits(journal, now_us) for _ in range(doors)]

    async def decide(nth: int) -> bool:
        await asyncio.sleep(0)
        try:
            await limits[nth % doors].stored(asked(6, f"n-{nth}"), 20)
        except DecidedEnough:
            return False
        return True

    assert sorted(await asyncio.gather(*map(decide, range(9)))) == [False] * 6 + [True] * 3


async def test_a_count_that_is_overtaken_without_end_is_given_up() -> None:
    class Busy(MemoryJournal):
        counts = 0

        async def last_position(self) -> int:
            counted = await MemoryJournal.last_position(self)
            self.counts += 1
            await self.append(decided(f"other-{self.counts}", 0, 0))
            return counted

    journal = Busy()
    with pytest.raises(JournalUnavailable, match="decides all the time"):
        await DecisionLimits(journal, now_us).stored(asked(1), 10)
    assert journal.counts == COUNTS_MAX
