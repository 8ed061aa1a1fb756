"""Second stage: from here on nothing holds a badge number, nor a title unless the site keeps titles."""

from __future__ import annotations

from dataclasses import dataclass, replace

from pagereeve.domain.badges.form import BadBadge
from pagereeve.domain.facts.facts import BadgePresented, BadgeUnreadable, Event, Origin, ReleaseStarted
from pagereeve.engine.counters import EngineCounters
from pagereeve.engine.intake.badge_hashing import BadgeHasher
from pagereeve.engine.intake.dating import Dated


@dataclass(slots=True)
class Privacy:
    badges: BadgeHasher
    counters: EngineCounters
    keep_titles: bool = False

    def event(self, dated: Dated) -> Event | BadgeUnreadable:
        """A type of event that comes to hold a badge number or a ticket needs its case here; a test sees to that."""
        match dated.event:
            case BadgePresented() as presented:
                return self._presented(presented, named=dated.named)
            case ReleaseStarted() as started:
                ticket = started.ticket
                if ticket.title is not None and not self.keep_titles:
                    ticket = replace(ticket, title=None)
                return replace(started, badge=self._named_badge(started.badge), ticket=ticket)
            case other:
                return other

    def _presented(self, event: BadgePresented, *, named: bool) -> BadgePresented | BadgeUnreadable:
        """What a reader's form refuses is an error of the frame, and never an unknown badge."""
        try:
            sight = self.badges.seen(event.badge, event.gateway, event.reader)
        except BadBadge as error:
            self.counters.refused_badges[error.reason] += 1
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
