"""Which connections an endpoint holds at once: bounded in all and for each peer, and who gives way when it is full.

A connection is *known* once it has shown what it is for (an admitted request, a badge line), or where its address is
that of a configured gateway. Until then it is a *stranger*: an endpoint that is full ends the stranger that was silent
for longest to make room, so that silent connections shut nobody out. A known connection is never ended for another.

A stranger has a moment to speak before it gives way, unless it is one of a crowd from one peer and the newcomer is not:
else a crowd that comes again and again would cost a connection made and ended each time.
"""

from __future__ import annotations

import ipaddress
from collections import Counter, OrderedDict
from collections.abc import Callable, Container
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

from pagereeve.feeds.buckets import Buckets
from pagereeve.feeds.stats import ConnectionReason


@lru_cache(maxsize=4_096)
def peer_of(address: str) -> str:
    """Whom an address stands for: itself, or the network of 64 bits that one IPv6 host may number at will.

    RFC 4291 section 2.5.4: an interface has the lower 64 bits to itself. An IPv4-mapped address is the IPv4 one.
    """
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(parsed, ipaddress.IPv4Address):
        return str(parsed)
    if parsed.ipv4_mapped is not None:
        return str(parsed.ipv4_mapped)
    return str(ipaddress.ip_network((parsed, 64), strict=False))


@dataclass(frozen=True, slots=True)
class ConnectionLimits:
    """What one endpoint may hold.

    connections_max   in all
    peer_max          from one peer
    strangers_max     from one peer, of those that have not shown what they are for
    opens_per_s       new ones from one peer, after a burst of ``opens_burst``
    """

    connections_max: int = 1_024
    peer_max: int = 512
    strangers_max: int = 64
    opens_per_s: float = 100.0
    opens_burst: float = 500.0


# How long a stranger is left in peace, and how many times as many of one peer are a crowd.
MOMENT_S: Final = 1.0
CROWD: Final = 4


def _nothing() -> None:
    return


@dataclass(eq=False, slots=True)
class Slot:
    """The place of one connection; its owner calls ``Connections.release`` at its end. ``drop`` ends the connection.

    ``uid`` is the user at the other end of a local socket; None elsewhere.
    """

    peer: str
    known: bool
    seen_s: float
    drop: Callable[[], None] = _nothing
    dropped: bool = False
    uid: int | None = None


@dataclass(slots=True)
class _Peer:
    """The connections of one peer; the strangers in the order in which they were last heard."""

    connections: int = 0
    strangers: OrderedDict[Slot, None] = field(default_factory=OrderedDict)


class Connections:
    """The connections of one endpoint. ``known_peers`` are known before they said a word."""

    def __init__(
        self,
        limits: ConnectionLimits,
        counts: Counter[ConnectionReason],
        now_s: Callable[[], float],
        known_peers: Container[str] = (),
    ) -> None:
        self._limits = limits
        self._counts = counts
        self._now_s = now_s
        self._known_peers = known_peers
        self._peers: dict[str, _Peer] = {}
        self._strangers: OrderedDict[Slot, None] = OrderedDict()
        self._open = 0
        self._opens = Buckets(limits.opens_per_s, limits.opens_burst)

    def __len__(self) -> int:
        return self._open

    def admit(self, address: str) -> Slot | None:
        """A place for a new connection, another may lose its own for it; None where there is none, which is counted."""
        peer = peer_of(address)
        now_s = self._now_s()
        known = peer in self._known_peers
        if not known and self._opens.take(peer, now_s) > 0:
            self._counts["peer-rate"] += 1
            return None
        mine = self._peers.get(peer) or _Peer()
        if mine.connections >= self._limits.peer_max or len(mine.strangers) >= self._limits.strangers_max:
            if not self._displace(mine, next(iter(mine.strangers), None), now_s):
                self._counts["peer-full"] += 1
                return None
        elif self._open >= self._limits.connections_max and not self._make_room(mine, now_s):
            self._counts["full"] += 1
            return None
        slot = Slot(peer, known, now_s)
        self._peers[peer] = mine
        mine.connections += 1
        self._open += 1
        if not known:
            mine.strangers[slot] = self._strangers[slot] = None
        return slot

    def _make_room(self, mine: _Peer, now_s: float) -> bool:
        """End the stranger that was silent for longest, of all or else of the largest crowd."""
        if self._displace(mine, next(iter(self._strangers), None), now_s):
            return True
        crowd = max(self._peers.values(), key=lambda one: len(one.strangers), default=mine)
        return self._displace(mine, next(iter(crowd.strangers), None), now_s)

    def _displace(self, mine: _Peer, slot: Slot | None, now_s: float) -> bool:
        """False where there is none, or where it may stay."""
        if slot is None:
            return False
        crowded = len(self._peers[slot.peer].strangers) >= CROWD * (len(mine.strangers) + 1)
        if now_s - slot.seen_s < MOMENT_S and not crowded:
            return False
        self.end(slot, "displaced")
        return True

    def end(self, slot: Slot, reason: ConnectionReason) -> None:
        """End a connection of ours, counted. Its place is free at once."""
        if slot.dropped:
            return
        self._counts[reason] += 1
        drop = slot.drop
        self.release(slot)
        drop()

    def heard(self, slot: Slot) -> None:
        """Something came from there."""
        slot.seen_s = self._now_s()
        if slot in self._strangers:
            self._strangers.move_to_end(slot)
            self._peers[slot.peer].strangers.move_to_end(slot)

    def know(self, slot: Slot) -> None:
        """It has shown what it is for, and is not displaced any more."""
        if not slot.known and not slot.dropped:
            slot.known = True
            self._forget_stranger(slot)

    def release(self, slot: Slot) -> None:
        """The connection is over. A second call changes nothing."""
        if slot.dropped:
            return
        slot.dropped = True
        slot.drop = _nothing  # what ends a connection holds it, and it holds its slot
        self._forget_stranger(slot)
        self._open -= 1
        mine = self._peers[slot.peer]
        mine.connections -= 1
        if not mine.connections:
            del self._peers[slot.peer]

    def _forget_stranger(self, slot: Slot) -> None:
        self._strangers.pop(slot, None)
        self._peers[slot.peer].strangers.pop(slot, None)
