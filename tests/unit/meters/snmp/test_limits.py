"""How the largest size that works is found, and when what failed is doubted."""

from __future__ import annotations

import pytest

from pagereeve.meters.snmp.habits import HABIT_WORDS, HIDING, Habit, told
from pagereeve.meters.snmp.limits import DOUBT_AFTER_US, NAMES_MAX, AgentLimits, Sizes


@pytest.mark.parametrize("most", range(1, NAMES_MAX + 1))
def test_sizes_close_in_on_the_largest_that_works(most: int) -> None:
    sizes, proven = Sizes(), 0
    for _ in range(6):
        tried = sizes.room
        if tried <= most:
            proven = max(proven, tried)
            sizes.worked(tried)
        else:
            sizes.failed(tried, proven)
    assert sizes.room == most


def test_what_failed_once_is_not_believed_for_a_shorter_answer() -> None:
    sizes = Sizes()
    sizes.worked(4)
    sizes.failed(6, 4)
    sizes.worked(8)
    assert (sizes.works, sizes.fails) == (5, 6)


def test_what_worked_long_ago_says_nothing_where_less_fails_now() -> None:
    sizes = Sizes()
    sizes.worked(8)
    sizes.failed(8, 0)
    assert sizes.room == 4


def test_what_failed_is_forgotten_an_hour_after_it_was_learnt() -> None:
    limits = AgentLimits()
    limits.doubt(0)
    limits.get.failed(8, 4)
    limits.refuse(b"\x2b\x06", for_good=True)
    limits.walkable = False
    limits.note(Habit.FEW_AT_ONCE)
    limits.doubt(1_000)
    limits.doubt(1_000 + DOUBT_AFTER_US)
    assert not limits.walkable
    limits.doubt(1_001 + DOUBT_AFTER_US)
    assert limits.walkable
    assert limits.get.room == NAMES_MAX
    assert not limits.lacking
    assert not limits.habits


def test_every_habit_has_words_and_those_that_end_a_read_say_what_to_do() -> None:
    assert set(HABIT_WORDS) == set(Habit)
    assert all(words.does.startswith(("it ", "its ")) for words in HABIT_WORDS.values())
    assert all(HABIT_WORDS[habit].advice for habit in HIDING)
    assert told([Habit.WALK_STOPS, Habit.FEW_AT_ONCE, Habit.WALK_STOPS]) == (
        f"{HABIT_WORDS[Habit.FEW_AT_ONCE].does}; {HABIT_WORDS[Habit.WALK_STOPS].does}. Check what its SNMP view admits"
    )
