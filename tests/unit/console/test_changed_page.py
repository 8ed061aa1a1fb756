"""What changed since somebody looked: pages, findings, and when nothing did."""

from __future__ import annotations

import re
from typing import Final

import pytest

from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.values.instants import SECOND_US
from tests.asking import READER, asking
from tests.histories import at, ended, journal_of, policy, reading, started

TWO: Final = Ticket(pages=2, copies=1, sides="one-sided", number_up=1, separator_sheets=0)
NOW_US: Final = at(600)
# Two pages are released and counted; later, four come out of no release.
DAY: Final[tuple[Fact, ...]] = (
    policy(),
    reading(-60, -1, 100),
    started("r-1", 0, "anise", TWO),
    ended("r-1", 3),
    reading(9, 120, 102),
    reading(200, 260, 106),
)


async def told(since_us: int) -> str:
    async with asking(await journal_of(DAY), READER, now_us=NOW_US) as client:
        answer = await client.get(f"/now/changed?since={since_us}")
    assert answer.status_code == 200, answer.text
    return re.sub(r"\s+", " ", re.sub("<[^>]+>", "", answer.text.partition("<main")[2]))


async def test_what_was_counted_and_what_began_since_then_is_said() -> None:
    text = await told(at(-30))
    assert "Since you looked, at 2026-11-25 08:59:30 UTC: 6 impressions counted, 4 of them wait for a reason; " in text
    assert "1 finding new or changed." in text
    assert "4 impressions counted without a release" in text
    assert "anise" not in text


async def test_what_was_before_is_not_told_again() -> None:
    text = await told(at(150))
    assert "4 impressions counted, 4 of them wait for a reason; 1 finding new or changed." in text
    assert "2 impressions" not in text


async def test_nothing_is_said_to_be_nothing() -> None:
    text = await told(at(300))
    assert "at 2026-11-25 09:05:00 UTC: no page was counted, and there is no new finding." in text
    assert "Which findings are new, or changed?" not in text


@pytest.mark.parametrize(
    ("since_us", "shown"),
    [(0, "2026-11-18 09:10:00 UTC"), (NOW_US + 3_600 * SECOND_US, "2026-11-25 09:10:00 UTC")],
)
async def test_it_tells_a_week_at_most_and_nothing_that_is_to_come(since_us: int, shown: str) -> None:
    text = await told(since_us)
    assert f"Since you looked, at {shown}: " in text
    assert ("A week is shown at most" in text) == (since_us == 0)


@pytest.mark.parametrize("asked", ["since=-1", "since=x", "since=99999999999999999", "", "since=1&who=anise"])
async def test_what_is_no_instant_is_refused(asked: str) -> None:
    async with asking(await journal_of(DAY)) as client:
        assert (await client.get(f"/now/changed?{asked}")).status_code == 400
