"""Swipes: a reader repeats a card that lies on it, and that is one swipe (EVerest/EVerest#2497)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pagereeve.domain.facts.facts import BadgePresented

SwipeKey = tuple[str, str, str, str]


def swipe_key(badge: BadgePresented) -> SwipeKey:
    """Another answer is another swipe (Donkie/Spoolman#1115); those that count as ``other`` are one answer."""
    return (badge.badge, badge.gateway, badge.reader, badge.outcome)


@dataclass(frozen=True, slots=True)
class Swipe:
    """``repeats`` more sightings followed the first, the latest at ``last_us``."""

    first: BadgePresented
    last_us: int
    repeats: int = 0


def swipes_of(badges: Iterable[BadgePresented], window_us: int) -> list[Swipe]:
    """In order of their first sightings; the window counts from the last sighting."""
    swipes: list[Swipe] = []
    latest: dict[SwipeKey, int] = {}
    for badge in sorted(badges, key=lambda one: one.origin.order):
        key, at_us = swipe_key(badge), badge.origin.at_us
        place = latest.get(key)
        if place is not None and at_us - swipes[place].last_us <= window_us:
            swipes[place] = Swipe(swipes[place].first, at_us, swipes[place].repeats + 1)
        else:
            latest[key] = len(swipes)
            swipes.append(Swipe(badge, at_us))
    return swipes
