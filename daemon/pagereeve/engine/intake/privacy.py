"""Second stage: from here on nothing holds a badge number, nor a title unless the site keeps titles."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from operator import attrgetter
from typing import Any, Final

from pagereeve.domain.badges.form import BadBadge, canonical_badge
from pagereeve.domain.badges.spellings import holds_number, spellings
from pagereeve.domain.facts.facts import BadgePresented, BadgeUnreadable, Event, Origin, ReleaseStarted
from pagereeve.domain.values.errors import BadFact
from pagereeve.engine.counters import EngineCounters
from pagereeve.engine.intake.badge_hashing import BadgeHasher
from pagereeve.engine.intake.dating import Dated

_ENVELOPE: Final = ("origin.source", "origin.id")
_MEMBERS: Final = {
    BadgePresented: (*_ENVELOPE, "gateway", "reader"),
    ReleaseStarted: (
        *_ENVELOPE,
        *("printer", "release", "job", "owner", "gateway", "queue", "was", "replaces", "ticket.media", "ticket.title"),
    ),
}


def _read_from(attribute: str) -> tuple[str, Callable[[Any], str | None]]:
    """Where the sender wrote it, and how it is read."""
    name = attribute.removeprefix("origin.")
    return (name if name != attribute else f"data.{attribute}", attrgetter(attribute))


FREE_TEXTS: Final[Mapping[type, tuple[tuple[str, Callable[[Any], str | None]], ...]]] = {
    event: tuple(map(_read_from, attributes)) for event, attributes in _MEMBERS.items()
}
"""What a sender may write as it likes in an event that has a badge number: none of it may hold the number."""


@dataclass(slots=True)
class Privacy:
    badges: BadgeHasher
    counters: EngineCounters
    keep_titles: bool = False

    def event(self, dated: Dated) -> Event | BadgeUnreadable | None:
        """A type of event that comes to hold a badge number or a ticket needs its case here; a test sees to that.

        None for a key of a reader's keypad: it may be of somebody's PIN, and nothing of it is kept.

        Raises BadFact where another member of the event holds its badge number, which would then be stored in clear.
        """
        match dated.event:
            case BadgePresented() as presented:
                if dated.named:
                    self._require_hidden(presented, presented.badge, presented.gateway, presented.reader)
                return self._presented(presented, named=dated.named)
            case ReleaseStarted() as started:
                ticket = started.ticket
                if ticket.title is not None and not self.keep_titles:
                    ticket = replace(ticket, title=None)
                if started.badge:
                    self._require_hidden(replace(started, ticket=ticket), started.badge)
                if started.ticket.title is not None:
                    self.counters.titles["kept" if self.keep_titles else "left-out"] += 1
                return replace(started, badge=self._named_badge(started.badge), ticket=ticket)
            case other:
                return other

    def _require_hidden(
        self, event: BadgePresented | ReleaseStarted, number: str, gateway: str = "", reader: str = ""
    ) -> None:
        try:
            written = spellings(number, canonical_badge(number, self.badges.form_of(gateway, reader)))
        except BadBadge:
            written = spellings(number)
        for where, read in FREE_TEXTS[type(event)]:
            text = read(event)
            if text and holds_number(text, written):
                raise BadFact(where, "holds the number of the event's own badge; make it without the number")

    def _presented(self, event: BadgePresented, *, named: bool) -> BadgePresented | BadgeUnreadable | None:
        """What a reader's form refuses is an error of the frame, and never an unknown badge."""
        try:
            sight = self.badges.seen(event.badge, event.gateway, event.reader)
        except BadBadge as error:
            self.counters.refused_badges[error.reason] += 1
            if error.reason == "key":
                return None
            origin = event.origin if named else _completed(event.origin, "unreadable")
            return BadgeUnreadable(origin, event.gateway, error.reason, event.reader)
        origin = event.origin if named else _completed(event.origin, sight.badge[:12])
        return replace(event, origin=origin, badge=sight.badge, resembles=sight.resembles)

    def _named_badge(self, badge: str) -> str:
        """A release is worth more than the badge it names: one that can't be read is left out, and counted."""
        if not badge:
            return ""
        try:
            return self.badges.seen(badge).badge
        except BadBadge as error:
            self.counters.refused_badges[error.reason] += 1
            return ""


def _completed(origin: Origin, last: str) -> Origin:
    return replace(origin, id=f"{origin.id}-{last}")
