"""One read at a printer's pins."""

from __future__ import annotations

from pagereeve.meters.discovery.objects import Pins
from pagereeve.meters.snmp.conversation import Conversation, Got


async def ask_at(conversation: Conversation, pins: Pins, beside: tuple[bytes, ...] = ()) -> tuple[Got, Pins]:
    """All values at the pins, the parts of a sum from one answer, and the pins as they fit what the agent takes.

    ``beside`` is brought too where one answer holds all. What is not billed is no longer asked for where it would cost
    a request of its own. Raises ReadEnded, DecodeError.
    """
    got = await conversation.get_beside(pins.names, beside, _sums(pins))
    room = conversation.limits.get.room
    if max(map(len, pins.requests)) <= room:
        return got, pins
    fitting = pins.within(room)
    # A sum that fits without the uptime alone is billed all the same.
    return got, fitting if len(fitting.channels) == len(pins.channels) else pins


def _sums(pins: Pins) -> tuple[tuple[bytes, ...], ...]:
    """Objects that are added up."""
    return tuple(
        tuple(dict.fromkeys(term.name for term in channel.terms))
        for channel in (*pins.channels, *pins.witnesses)
        if len(channel.terms) > 1
    )
