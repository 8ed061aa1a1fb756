"""A month of one invented printer: releases of two people, copies by hand, a jam, and a notice that came late."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.periods import period_of
from pagereeve.domain.facts.facts import Fact, ReleaseEnded, ReleaseStarted
from tests.histories import SIMPLE, assigned, at, ended, policy, reading, started

BERLIN: Final = ZoneInfo("Europe/Berlin")
DAY_S: Final = 86_400.0
NOVEMBER: Final = period_of("2026-11", BERLIN)
# As a person's server may write it: a formula, a page's markup, a mark that turns the direction of text.
HOSTILE: Final = "=HYPERLINK(1)<script>alert(1)</script>\u202egpj"


def late(notice: Fact, at_s: float) -> Fact:
    """The notice, received so many seconds after nine o'clock of the first day."""
    assert isinstance(notice, ReleaseStarted | ReleaseEnded)
    return replace(notice, origin=replace(notice.origin, received_us=at(at_s)))


def month(owners: Sequence[str] = ("anise", HOSTILE), days: int = 28, more: int = 0) -> list[Fact]:
    """From 1 November on, a release of 2 to 8 pages a day, by the owners by turns.

    The meter shows one page more each fifth day, two fewer each seventh, and two pages that nobody released each
    third. The notices of the second one came hours late; within the eighteenth the meter went back by 500.
    ``more``: so many pages that the meter shows besides with each release.
    """
    return list(_month(owners, days, more))


def _month(owners: Sequence[str], days: int, more: int) -> Iterator[Fact]:
    first_s = -24 * DAY_S
    yield policy(first_s - 3600)
    yield assigned(owners[0], "00042", 0)
    yield reading(first_s - 3600, first_s - 60, 1000, count=60)
    total = 1000
    for nth in range(days):
        begin_s, pages = first_s + nth * DAY_S, 2 + nth % 7
        name, owner = f"r-{nth:02d}", owners[nth % len(owners)]
        notices = [
            started(name, begin_s, owner.upper() if nth == 4 else owner, replace(SIMPLE, pages=pages)),
            ended(name, begin_s + 2 * pages),
        ]
        yield from (late(one, begin_s + 9_000) for one in notices) if nth == 1 else notices
        yield reading(begin_s - 3, begin_s - 2, total)
        total += pages + more + (nth % 5 == 4) - 2 * (nth % 7 == 6) - 500 * (nth == 17)
        yield reading(begin_s + 2 * pages, begin_s + 2 * pages + 300, total, count=100)
        total += 2 * (nth % 3 == 2)
        yield reading(begin_s + 7_200, begin_s + DAY_S - 60, total, count=400)
