"""What is remembered of readers and feeds, for what shows only over many badges and notices. It goes into a resume
point.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

from pagereeve.domain.findings.conditions import Condition
from pagereeve.domain.values.fields import Fields
from pagereeve.domain.values.instants import from_text, to_text

FRAMES_MAX: Final = 64
COUNT_MAX: Final = 2**53 - 1
# Names of readers and gateways come from outside: so many are remembered, the longest unheard of is forgotten first.
REMEMBERED_MAX: Final = 10_000


@dataclass(slots=True)
class ReaderState:
    """``refused`` has a bit for each of the last ``frames`` frames, the newest lowest: 1 where its form refused it.

    ``otherwise`` counts badges in a row that are known only if written in another ``style``.
    """

    gateway: str
    reader: str
    refused: int = 0
    frames: int = 0
    otherwise: int = 0
    style: str = ""
    otherwise_since_us: int = 0
    noisy: Condition | None = None
    changed: Condition | None = None

    @property
    def place(self) -> str:
        named = f"reader {self.reader}" if self.reader else "the reader"
        return f"{named} at gateway {self.gateway}"

    def frame(self, *, refused: bool, kept: int) -> int:
        """One frame more; how many of the last ``kept`` were refused."""
        self.frames = min(kept, self.frames + 1)
        self.refused = (self.refused << 1 | refused) & ((1 << kept) - 1)
        return self.refused.bit_count()

    def to_json(self) -> dict[str, Any]:
        members: dict[str, Any] = {"gateway": self.gateway, "reader": self.reader, "frames": self.frames}
        if self.refused:
            # As text: so many bits are beyond the numbers of RFC 8785.
            members["refused"] = f"{self.refused:x}"
        if self.otherwise:
            members |= {"otherwise": self.otherwise, "style": self.style, "since": to_text(self.otherwise_since_us)}
        return members | _conditions(noisy=self.noisy, changed=self.changed)

    @classmethod
    def from_json(cls, fields: Fields) -> ReaderState:
        """Raises BadFact."""
        otherwise = fields.optional_integer("otherwise", 1, COUNT_MAX) or 0
        state = cls(
            gateway=fields.text("gateway"),
            reader=fields.optional_text("reader") or "",
            refused=int(fields.optional_text("refused") or "0", 16),
            frames=fields.integer("frames", 0, FRAMES_MAX),
            otherwise=otherwise,
            style=fields.text("style") if otherwise else "",
            otherwise_since_us=from_text(fields.text("since"), "since") if otherwise else 0,
            noisy=_condition(fields, "noisy"),
            changed=_condition(fields, "changed"),
        )
        fields.finish()
        return state


@dataclass(slots=True)
class FeedState:
    """``unmatched`` notices of the other kind in a row, since ``since_us``, went without one of this feed.

    ``heard``: it has sent something at all; what was never connected is not silent.
    """

    heard: bool = False
    unmatched: int = 0
    since_us: int = 0
    silent: Condition | None = None

    def to_json(self) -> dict[str, Any]:
        members: dict[str, Any] = {"heard": int(self.heard)}
        if self.unmatched:
            members |= {"unmatched": self.unmatched, "since": to_text(self.since_us)}
        return members | _conditions(silent=self.silent)

    @classmethod
    def from_json(cls, fields: Fields) -> FeedState:
        """Raises BadFact."""
        unmatched = fields.optional_integer("unmatched", 1, COUNT_MAX) or 0
        state = cls(
            heard=bool(fields.integer("heard", 0, 1)),
            unmatched=unmatched,
            since_us=from_text(fields.text("since"), "since") if unmatched else 0,
            silent=_condition(fields, "silent"),
        )
        fields.finish()
        return state


@dataclass(slots=True)
class ChecksState:
    """``readers`` by (gateway, reader); ``gateways``: badge lines, by name; ``releases``: start notices of all."""

    readers: dict[tuple[str, str], ReaderState] = field(default_factory=dict)
    gateways: dict[str, FeedState] = field(default_factory=dict)
    releases: FeedState = field(default_factory=FeedState)

    def reader(self, gateway: str, reader: str) -> ReaderState:
        key = (gateway, reader)
        known = self.readers.pop(key, None) or ReaderState(gateway, reader)
        self.readers[key] = known
        if len(self.readers) > REMEMBERED_MAX:
            del self.readers[next(iter(self.readers))]
        return known

    def gateway(self, gateway: str) -> FeedState:
        known = self.gateways.pop(gateway, None) or FeedState()
        self.gateways[gateway] = known
        if len(self.gateways) > REMEMBERED_MAX:
            del self.gateways[next(iter(self.gateways))]
        return known

    def standing(self) -> list[Condition]:
        """The conditions that hold, in a fixed order."""
        held = [state.noisy for state in self.readers.values()] + [state.changed for state in self.readers.values()]
        held += [state.silent for state in (self.releases, *self.gateways.values())]
        return sorted((one for one in held if one is not None), key=lambda one: (one.since_us, one.kind, one.place))

    def to_json(self) -> dict[str, Any]:
        return {
            "readers": {str(place): one.to_json() for place, one in enumerate(self.readers.values())},
            "gateways": {name: one.to_json() for name, one in self.gateways.items()},
            "gateway_order": {str(place): name for place, name in enumerate(self.gateways)},
            "releases": self.releases.to_json(),
        }

    @classmethod
    def from_json(cls, fields: Fields) -> ChecksState:
        """Raises BadFact."""
        state = cls(releases=FeedState.from_json(fields.object("releases")))
        readers = fields.object("readers")
        for name in sorted(readers.names(), key=int):
            reader = ReaderState.from_json(readers.object(name))
            state.readers[reader.gateway, reader.reader] = reader
        gateways, order = fields.object("gateways"), fields.object("gateway_order")
        for place in sorted(order.names(), key=int):
            name = order.text(place)
            state.gateways[name] = FeedState.from_json(gateways.object(name))
        fields.finish()
        return state


def _conditions(**held: Condition | None) -> dict[str, Any]:
    return {name: one.to_json() for name, one in held.items() if one is not None}


def _condition(fields: Fields, name: str) -> Condition | None:
    known = fields.optional_object(name)
    return None if known is None else Condition.from_json(known)
