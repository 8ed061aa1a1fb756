"""A channel that is a sum keeps its parts: one that falls while another rises would hide in it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from pagereeve.domain.brackets.continuity import OTHER_COUNTER, Pace, Step, counter_step, pages_between, worst_of
from pagereeve.domain.brackets.prints import counter_channel
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Count, Sight

Parts = Mapping[str, Count]
"""The counters that a channel adds up, by object."""

NO_PARTS: Final[Parts] = {}
FELL: Final = frozenset({Step.FELL_BACK, Step.RESET, Step.WENT_BACK})


def parts_of(sight: Sight, channel: str) -> Parts:
    """Those of the channel's count; none where it is no sum, or the answer does not show all that it adds up."""
    count = sight.count(channel)
    if count is None or not sight.counters:
        return NO_PARTS
    mine = [one for one in sight.counters if one.part and one.channel == counter_channel(channel)]
    mine = [one for one in mine if count.object in {"", f"{one.source} {one.channel}"}]
    if sum(one.value for one in mine) != count.value:
        return NO_PARTS
    return {one.object: Count(one.value, one.unit, one.modulus, one.object) for one in mine}


def all_parts_of(sight: Sight) -> dict[str, Parts]:
    """By channel, of the channels that are sums."""
    if not sight.counters or not any(one.part for one in sight.counters):
        return {}
    return {channel: parts for channel in sight.channels if (parts := parts_of(sight, channel))}


def sum_step(old: Count, new: Count, parts: tuple[Parts, Parts], pace: Pace, policy: Policy) -> Step:
    """How a channel's count follows its own last one: the worst that it says, or any of its ``parts`` then and now."""
    step, (before, after) = counter_step(old, new, pace, policy), parts
    if step in OTHER_COUNTER or not before or before.keys() != after.keys():
        return step
    steps = [counter_step(part, after[name], pace, policy) for name, part in before.items()]
    fell = [one for one in steps if one in FELL]
    if fell:
        return worst_of(fell)
    worst = worst_of(steps)
    return worst if step in FELL else worst_of([step, worst])


def pages_of_sum(old: Count, new: Count, parts: tuple[Parts, Parts], policy: Policy) -> int:
    """Pages counted between two counts of one run. Where a sum is lower, one of its parts wrapped."""
    before, after = parts
    if new.value >= old.value or not before or before.keys() != after.keys():
        return pages_between(old, new.value, policy)
    return sum(pages_between(part, after[name].value, policy) for name, part in before.items())


def broken_part(before: Sight, after: Sight, channel: str, pace: Pace, policy: Policy) -> tuple[Count, Count] | None:
    """The part of a sum that fell between two answers, then and now, where not all of them did."""
    left, right = parts_of(before, channel), parts_of(after, channel)
    if left.keys() != right.keys():
        return None
    fell = [name for name, part in left.items() if counter_step(part, right[name], pace, policy) in FELL]
    return (left[fell[0]], right[fell[0]]) if fell and len(fell) < len(left) else None
