"""What the engine counts, plainly; telemetry makes metrics of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal, get_args

from pagereeve.domain.badges.form import Refused
from pagereeve.domain.facts.events import type_named, type_of
from pagereeve.domain.facts.facts import BadgeUnreadable, Event
from pagereeve.ports.telemetry import EngineTelemetry

UNKNOWN_MEMBER: Final = "unknown"
TitleFate = Literal["kept", "left-out", "erased"]


@dataclass(slots=True)
class EngineCounters:
    """Counts since the start. ``events`` is by (feed, outcome), ``refused`` by (feed, reason).

    ``left_out`` is by the member of an event that was not used, all members that nobody knows under one name.
    ``titles`` are of jobs, by what became of them.
    ``last_event_us`` is when an event of a type was last received (wall time), by the ``counter`` of its EventType.
    ``newest_us`` is the instant of the newest fact that the journal held at the start.
    """

    events: Counter[tuple[str, str]] = field(default_factory=Counter)
    refused: Counter[tuple[str, str]] = field(default_factory=Counter)
    refused_badges: Counter[str] = field(default_factory=Counter)
    left_out: Counter[str] = field(default_factory=Counter)
    titles: Counter[TitleFate] = field(default_factory=Counter)
    clock_marks: Counter[str] = field(default_factory=Counter)
    projections: int = 0
    rewinds: int = 0
    restarts: Counter[str] = field(default_factory=Counter)
    unavailable: int = 0
    last_event_us: dict[str, int] = field(default_factory=dict)
    newest_us: int | None = None

    def note(self, event: Event | BadgeUnreadable) -> None:
        """It was received, whatever becomes of it. A frame that can't be read is no event of a known badge."""
        if not isinstance(event, BadgeUnreadable):
            self.last_event_us[type_of(event).counter] = event.origin.received_us

    def remember(self, instants_us: Mapping[str, int], newest_us: int | None) -> None:
        """At the start, from the journal: a restart must not look like a silence."""
        named = ((type_named(kind), at_us) for kind, at_us in instants_us.items())
        known = {event_type.counter: at_us for event_type, at_us in named if event_type is not None}
        self.last_event_us = known | self.last_event_us
        self.newest_us = newest_us

    def telemetry(self) -> EngineTelemetry:
        return EngineTelemetry(
            projections=self.projections,
            rewinds=self.rewinds,
            unavailable=self.unavailable,
            refused_badges={reason: self.refused_badges[reason] for reason in get_args(Refused)},
            left_out={UNKNOWN_MEMBER: 0, **self.left_out},
            titles={fate: self.titles[fate] for fate in get_args(TitleFate)},
            last_event_us=dict(self.last_event_us),
            newest_us=self.newest_us,
        )
