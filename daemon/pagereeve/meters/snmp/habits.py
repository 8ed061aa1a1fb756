"""What agents do that they should not, in plain words, and what to do about it.

A habit is learnt from answers alone, so that a reading, or the reason for none, can name it.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from typing import Final, NamedTuple


class Habit(StrEnum):
    """Named after what is seen, not after what is behind it."""

    FEW_AT_ONCE = "few-at-once"
    TOO_BIG_ALONE = "too-big-alone"
    LARGE_ANSWERS_LOST = "large-answers-lost"
    SHORT_ANSWERS = "short-answers"
    NO_VALUES = "no-values"
    OTHER_NAMES = "other-names"
    OTHER_ORDER = "other-order"
    ALL_OR_NOTHING = "all-or-nothing"
    NO_ERROR_INDEX = "no-error-index"
    WRONG_ERROR_INDEX = "wrong-error-index"
    REFUSES_OBJECTS = "refuses-objects"
    SILENT_ABOUT_OBJECTS = "silent-about-objects"
    GET_NOT_ANSWERED = "get-not-answered"
    WALK_NOT_ANSWERED = "walk-not-answered"
    WALK_STOPS = "walk-stops"
    WALK_ENDS_TOO_EARLY = "walk-ends-too-early"
    WALK_IN_CIRCLES = "walk-in-circles"
    SUM_TOO_LARGE = "sum-too-large"
    UPTIME_GOES_BACK = "uptime-goes-back"
    UPTIME_MISSING = "uptime-missing"


class HabitWords(NamedTuple):
    """``does`` has the agent as its subject; ``advice`` is what people can do, empty where nothing is needed."""

    does: str
    advice: str = ""


_UPDATE: Final = "update its firmware, or restart its SNMP service"

HABIT_WORDS: Final = {
    Habit.FEW_AT_ONCE: HabitWords("it answers only a few objects at once, so that a read takes several requests"),
    Habit.TOO_BIG_ALONE: HabitWords("it calls the answer about a single object too big (tooBig)", _UPDATE),
    Habit.LARGE_ANSWERS_LOST: HabitWords(
        "its larger answers get lost or arrive unreadable, smaller ones come",
        "look for a firewall, VPN or tunnel on the path that drops fragments",
    ),
    Habit.SHORT_ANSWERS: HabitWords("it answers fewer objects than it is asked for"),
    Habit.NO_VALUES: HabitWords("it answers without any value", _UPDATE),
    Habit.OTHER_NAMES: HabitWords("it answers about other objects than it is asked for", _UPDATE),
    Habit.OTHER_ORDER: HabitWords("it answers in another order than it is asked in"),
    Habit.ALL_OR_NOTHING: HabitWords("it says of all objects that it lacks them where it lacks one of them"),
    Habit.NO_ERROR_INDEX: HabitWords("it refuses whole requests without saying for which object (error-index 0)"),
    Habit.WRONG_ERROR_INDEX: HabitWords("it refuses whole requests and names an object that it has (error-index)"),
    Habit.REFUSES_OBJECTS: HabitWords(
        "it refuses objects with an error (such as genErr) instead of saying that it lacks them",
        f"check what its SNMP view admits; {_UPDATE}",
    ),
    Habit.SILENT_ABOUT_OBJECTS: HabitWords(
        "it stays silent about some objects and answers about others", "check what its SNMP view admits"
    ),
    Habit.GET_NOT_ANSWERED: HabitWords(
        "it answers GETNEXT but never GET", "allow GET where its access list or a firewall tells them apart"
    ),
    Habit.WALK_NOT_ANSWERED: HabitWords(
        "it answers GET but never GETNEXT, so only likely places could be looked at",
        "allow GETNEXT where its access list or a firewall tells them apart, or name a profile of its maker",
    ),
    Habit.WALK_STOPS: HabitWords(
        "it stops answering GETNEXT in the middle of its tables", "check what its SNMP view admits"
    ),
    Habit.WALK_ENDS_TOO_EARLY: HabitWords(
        "it answers GETNEXT with the end of its tables though it has objects, so only likely places could be looked at",
        f"check what its SNMP view admits, or name a profile of its maker; {_UPDATE}",
    ),
    Habit.WALK_IN_CIRCLES: HabitWords(
        "its answers to GETNEXT do not go forward, so only likely places could be looked at",
        f"name a profile of its maker; {_UPDATE}",
    ),
    Habit.SUM_TOO_LARGE: HabitWords(
        "it answers so few objects at once that the parts of a sum don't fit into one answer, "
        "and a sum is made of one answer or not at all",
        f"name the profile none to do without the sum; {_UPDATE}",
    ),
    Habit.UPTIME_GOES_BACK: HabitWords(
        "it restarted between the parts of each read, or its sysUpTime goes back",
        f"see whether it keeps restarting; {_UPDATE}",
    ),
    Habit.UPTIME_MISSING: HabitWords(
        "it shows not even sysUpTime, which every agent has, so that its restarts go unseen",
        "widen the SNMP view of this community or user",
    ),
}

# Behind these, objects may be hidden: that none was found does not prove that there is none.
HIDING: Final = frozenset(
    {
        Habit.TOO_BIG_ALONE,
        Habit.NO_VALUES,
        Habit.OTHER_NAMES,
        Habit.REFUSES_OBJECTS,
        Habit.SILENT_ABOUT_OBJECTS,
        Habit.WALK_NOT_ANSWERED,
        Habit.WALK_STOPS,
        Habit.WALK_ENDS_TOO_EARLY,
        Habit.WALK_IN_CIRCLES,
        Habit.SUM_TOO_LARGE,
    }
)


def told(habits: Iterable[Habit]) -> str:
    """What it does, then what to do about it, each once and always in the same order."""
    listed = [HABIT_WORDS[one] for one in Habit if one in set(habits)]
    advice = dict.fromkeys(one.advice for one in listed if one.advice)
    return ". ".join(("; ".join(one.does for one in listed), *map(_sentence, advice)))


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]
