"""Which names go into which request: the parts of a sum into one, and all into as few requests as fit.

What is not billed only fills the room that is left: one ordinary read stays one datagram.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from pagereeve.meters.discovery.channels import PinnedChannel
from pagereeve.meters.snmp.names import SYS_UP_TIME


@dataclass(slots=True)
class Layout:
    """``blocks`` are the requests, each further one with room left for the uptime, but where a sum needs it all.
    ``parted`` are sums that no request holds.
    """

    room: int
    blocks: list[list[bytes]] = field(default_factory=lambda: [[]])
    channels: list[PinnedChannel] = field(default_factory=list)
    witnesses: list[PinnedChannel] = field(default_factory=list)
    parted: list[PinnedChannel] = field(default_factory=list)

    def names(self) -> tuple[bytes, ...]:
        return tuple(name for block in self.blocks for name in block)

    def requests(self) -> tuple[tuple[bytes, ...], ...]:
        """The names of each request. A further one carries the uptime again, so that a restart between them shows."""
        first, *rest = self.blocks
        return (tuple(first), *((SYS_UP_TIME, *block) if len(block) < self.room else tuple(block) for block in rest))

    def put(self, name: bytes) -> None:
        """A name that may stand in any request."""
        if self._where([name]) is not None:
            return
        block = next((block for at, block in enumerate(self.blocks) if len(block) < self._capacity(at)), None)
        if block is None:
            self.blocks.append(block := [])
        block.append(name)

    def put_together(self, names: Sequence[bytes], *, grow: bool = True) -> bool:
        """Names that must stand in one request; whether there is room. ``grow``: a further request may be begun."""
        here = self._where(names)
        places = range(len(self.blocks)) if here is None else [here]
        for at in places:
            fresh = [name for name in names if name not in self.blocks[at]]
            elsewhere = any(name in block for block in self.blocks if block is not self.blocks[at] for name in fresh)
            if not elsewhere and len(self.blocks[at]) + len(fresh) <= self._capacity(at):
                self.blocks[at] += fresh
                return True
        if here is not None or not grow or len(names) > self.room:
            return False
        self.blocks.append(list(names))
        return True

    def _where(self, names: Iterable[bytes]) -> int | None:
        return next((at for name in names for at, block in enumerate(self.blocks) if name in block), None)

    def _capacity(self, at: int) -> int:
        return self.room if at == 0 else max(1, self.room - 1)


def laid_out(
    head: Sequence[bytes],
    channels: Sequence[PinnedChannel],
    tail: Sequence[bytes],
    witnesses: Sequence[PinnedChannel],
    room: int,
) -> Layout:
    """``head``, the billed channels with their units, ``tail``, and of the witnesses, best first, what fits."""
    layout = Layout(room)
    for name in head:
        layout.put(name)
    for channel in channels:
        _put_channel(layout, channel)
    for name in tail:
        layout.put(name)
    if len(layout.blocks) > 1:
        # What is told apart by several requests already is not asked for more.
        return layout
    for channel in witnesses:
        names = [term.name for term in channel.terms]
        if isinstance(channel.unit, bytes):
            names.append(channel.unit)
        if layout.put_together(list(dict.fromkeys(names)), grow=False):
            layout.witnesses.append(channel)
    return layout


def _put_channel(layout: Layout, channel: PinnedChannel) -> None:
    names = list(dict.fromkeys(term.name for term in channel.terms))
    if len(names) > 1 and not layout.put_together(names):
        layout.parted.append(channel)
    for name in (*names, *([channel.unit] if isinstance(channel.unit, bytes) else [])):
        layout.put(name)
    layout.channels.append(channel)
