"""What is remembered of readers and feeds, for what shows only over many badges and notices. It goes into a resume
point.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from typing import Any, Final

from pagereeve.domain.findings.conditions import CONDITION, Condition
from pagereeve.domain.values.codec import (
    BIT,
    FIGURE_MAX,
    INSTANT,
    TEXT,
    ByHand,
    Codec,
    Kind,
    Member,
    Spread,
    inner,
    integer,
    listed,
    placed,
)
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.fields import Fields

FRAMES_MAX: Final = 64
# Names of readers and gateways come from outside: so many are remembered, the longest unheard of is forgotten first.
REMEMBERED_MAX: Final = 10_000
RECEIVERS_MAX: Final = 100
CLOCKS_MAX: Final = 100
# More at once are one trouble in the network: the longest down is told.
GATEWAYS_DOWN_MAX: Final = 1_000
SITES_BEHIND_MAX: Final = 1_000
# Badges that nobody owns, of one flood's time; beyond it the earliest is told.
STRANGERS_MAX: Final = 1_000


@dataclass(slots=True)
class ReaderState:
    """``refused`` has a bit for each of the last ``frames`` frames, the newest lowest: 1 where its form refused it.

    ``otherwise`` counts badges in a row that are known only if written in another ``style``. ``short_us`` is when the
    last frame of a wrong length came. ``strangers`` badges that nobody owns came in the ``flood``, the last at
    ``stranger_us``.
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
    short_us: int = 0
    flood: Condition | None = None
    strangers: int = 0
    stranger_us: int = 0

    @property
    def place(self) -> str:
        named = f"reader {self.reader}" if self.reader else "the reader"
        return f"{named} at gateway {self.gateway}"

    def frame(self, *, refused: bool, kept: int) -> int:
        """One frame more; how many of the last ``kept`` were refused."""
        self.frames = min(kept, self.frames + 1)
        self.refused = (self.refused << 1 | refused) & ((1 << kept) - 1)
        return self.refused.bit_count()


@dataclass(slots=True)
class FeedState:
    """``unmatched`` notices of the other kind in a row, since ``since_us``, went without one of this feed.

    ``heard``: it has sent something at least once; a feed that never connected is not silent.
    """

    heard: bool = False
    unmatched: int = 0
    since_us: int = 0
    silent: Condition | None = None


@dataclass(slots=True)
class ChecksState:
    """``readers`` by (gateway, reader); ``gateways``: badge lines, by name; ``releases``: start notices of all.

    ``clock``: the machine's clock stepped away from our dates, and has not come back; ``clocks``: those of several
    daemons with one journal, the longest so first. ``receivers`` of alerts that want
    nothing more, the longest so first. ``strangers``: badges that nobody owns, which may still turn out to be part of a
    flood, the earliest first. ``gateways_down``: those whose check fails, the longest so first.
    ``sites_behind``: of which not all is here, likewise.
    """

    readers: dict[tuple[str, str], ReaderState] = field(default_factory=dict)
    gateways: dict[str, FeedState] = field(default_factory=dict)
    releases: FeedState = field(default_factory=FeedState)
    clock: Condition | None = None
    clocks: tuple[Condition, ...] = ()
    receivers: tuple[Condition, ...] = ()
    strangers: tuple[Condition, ...] = ()
    gateways_down: tuple[Condition, ...] = ()
    sites_behind: tuple[Condition, ...] = ()

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

    def copied(self) -> ChecksState:
        readers = {key: replace(one) for key, one in self.readers.items()}
        gateways = {name: replace(one) for name, one in self.gateways.items()}
        return replace(self, readers=readers, gateways=gateways, releases=replace(self.releases))

    def standing(self) -> list[Condition]:
        """The conditions that hold, in a fixed order."""
        held = [state.noisy for state in self.readers.values()] + [state.changed for state in self.readers.values()]
        held += [state.flood for state in self.readers.values()]
        held += [state.silent for state in (self.releases, *self.gateways.values())]
        held += [self.clock, *self.clocks, *self.receivers, *self.strangers, *self.gateways_down, *self.sites_behind]
        return sorted(
            (one for one in held if one is not None), key=lambda one: (one.since_us, one.kind, one.place, one.anchor)
        )


def _bits(fields: Fields, name: str) -> int | None:
    digits = fields.optional_text(name)
    if digits is not None and not _HEX.fullmatch(digits):
        raise BadFact(fields.path(name), f"{digits[:40]!r} is no number of 1 to 16 hexadecimal digits")
    return None if digits is None else int(digits, 16)


_HEX: Final = re.compile("[0-9a-f]{1,16}")
# As text: so many bits are beyond the numbers of RFC 8785.
_BITS: Final = Kind(_bits, _bits, "{:x}".format)
_HELD: Final = inner(CONDITION)
_IN_A_ROW: Final = integer(1, FIGURE_MAX)

READER: Final = Codec(
    ReaderState,
    Member("gateway", TEXT),
    Member("reader", TEXT, default="", written=True),
    Member("refused", _BITS, default=0),
    Member("frames", integer(0, FRAMES_MAX)),
    Member("otherwise", _IN_A_ROW, default=0),
    Member("style", TEXT, default="", beside="otherwise"),
    Member("otherwise_since_us", INSTANT, "since", default=0, beside="otherwise"),
    Member("noisy", _HELD, default=None),
    Member("changed", _HELD, default=None),
    Member("short_us", INSTANT, "short", default=0),
    Member("flood", _HELD, default=None),
    Member("strangers", _IN_A_ROW, default=0, beside="flood"),
    Member("stranger_us", INSTANT, "stranger", default=0, beside="flood"),
)
FEED: Final = Codec(
    FeedState,
    Member("heard", BIT),
    Member("unmatched", _IN_A_ROW, default=0),
    Member("since_us", INSTANT, "since", default=0, beside="unmatched"),
    Member("silent", _HELD, default=None),
)
_READERS: Final = placed(inner(READER), REMEMBERED_MAX)
_ORDER: Final = placed(TEXT, REMEMBERED_MAX)


def _readers_of(fields: Fields, name: str) -> dict[tuple[str, str], ReaderState]:
    return {(one.gateway, one.reader): one for one in _READERS.need(fields, name)}


def _readers_json(readers: dict[tuple[str, str], ReaderState]) -> dict[str, Any]:
    return {str(place): READER.write(one) for place, one in enumerate(readers.values())}


def _gateways_of(fields: Fields) -> dict[str, FeedState]:
    gateways, order = fields.object("gateways"), _ORDER.need(fields, "gateway_order")
    known = {name: FEED.read(gateways.object(name)) for name in order}
    gateways.finish()
    return known


def _gateways_json(gateways: dict[str, FeedState]) -> dict[str, Any]:
    """By name, and their order beside them: an object's members have none."""
    return {
        "gateways": {name: FEED.write(one) for name, one in gateways.items()},
        "gateway_order": {str(place): name for place, name in enumerate(gateways)},
    }


CHECKS: Final = Codec(
    ChecksState,
    Member("readers", Kind(_readers_of, _readers_of, _readers_json)),
    Spread("gateways", ByHand(_gateways_json, _gateways_of)),
    Member("releases", inner(FEED)),
    Member("clock", _HELD, default=None),
    Member("clocks", listed(_HELD, CLOCKS_MAX), default=()),
    Member("receivers", listed(_HELD, RECEIVERS_MAX), default=()),
    Member("strangers", listed(_HELD, STRANGERS_MAX), default=()),
    Member("gateways_down", listed(_HELD, GATEWAYS_DOWN_MAX), default=()),
    Member("sites_behind", listed(_HELD, SITES_BEHIND_MAX), default=()),
)
