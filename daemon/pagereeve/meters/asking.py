"""One read's requests at a printer's pins, each small enough for one answer."""

from __future__ import annotations

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.meters.discovery.channels import together
from pagereeve.meters.discovery.objects import Pins
from pagereeve.meters.snmp.ber import Varbind, number
from pagereeve.meters.snmp.conversation import Conversation, Got
from pagereeve.meters.snmp.names import SYS_UP_TIME
from pagereeve.meters.snmp.question import ReadEnded


async def ask_at(conversation: Conversation, pins: Pins) -> tuple[Got, Pins]:
    """All values at the pins and which came together, and the pins as they fit what the agent was found to take.

    An answer that was too large may have parted a sum: it is asked for again in one. Raises ReadEnded, DecodeError.
    """
    got = await _asked(conversation, pins)
    room = conversation.limits.names_max
    if max(map(len, pins.requests)) <= room:
        return got, pins
    fitting = pins.within(room)
    if all(together(channel, got.answers) for channel in pins.channels if channel not in fitting.parted):
        return got, fitting
    return await _asked(conversation, fitting), fitting


async def _asked(conversation: Conversation, pins: Pins) -> Got:
    first, *rest = pins.requests
    got = await conversation.get(first)
    for names in rest:
        got = _joined(got, await conversation.get(names), conversation.responder)
    return got


def _joined(before: Got, after: Got, responder: str) -> Got:
    if _went_back(before.values.get(SYS_UP_TIME), after.values.get(SYS_UP_TIME)):
        text = f"{responder}: the agent restarted between two parts of one read"
        raise ReadEnded(SilenceReason.MALFORMED, text, responder)
    answers = (*(before.answers or (frozenset(before.values),)), *(after.answers or (frozenset(after.values),)))
    sent_us = before.sent_us or after.sent_us
    return Got(before.values | after.values, sent_us, max(before.received_us, after.received_us), answers)


def _went_back(before: Varbind | None, after: Varbind | None) -> bool:
    if before is None or after is None or before.absent or after.absent:
        return False
    return number(after) < number(before)
