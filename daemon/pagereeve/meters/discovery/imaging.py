"""The standard imaging counters (PWG 5106.3): what the whole device did, what print, copy and fax made of it, and which
kinds of work that was.

Keys are local numbers that join services to their counts: they are looked up in icServiceTable. Several services of one
type are added up.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final, NamedTuple

from pagereeve.domain.facts.reading import Unit
from pagereeve.meters.discovery.channels import NO_MODULUS, PinnedChannel, Term
from pagereeve.meters.discovery.objects import instance
from pagereeve.meters.discovery.text import printable
from pagereeve.meters.snmp.ber import OCTET_STRING, DecodeError, Varbind, number, oid_bytes
from pagereeve.meters.snmp.conversation import Conversation
from pagereeve.meters.snmp.names import Index
from pagereeve.meters.snmp.walking import Walk

SOURCE: Final = "PWG 5106.3"
_ROOT: Final = "1.3.6.1.4.1.2699.1.3.1"
SERVICE_KEY: Final = oid_bytes(f"{_ROOT}.3.1.1.3")
IMPRESSIONS: Final = oid_bytes(f"{_ROOT}.8.1.1.4")
MONOCHROME: Final = oid_bytes(f"{_ROOT}.8.1.1.5")
BLANK: Final = oid_bytes(f"{_ROOT}.8.1.1.6")
FULL_COLOUR: Final = oid_bytes(f"{_ROOT}.8.1.1.7")
TWO_SIDED: Final = oid_bytes(f"{_ROOT}.9.1.1.4")
SHEETS: Final = oid_bytes(f"{_ROOT}.10.1.1.4")
ALERT_TYPE: Final = oid_bytes(f"{_ROOT}.13.1.1.4")
ALERT_COUNTER: Final = oid_bytes(f"{_ROOT}.13.1.1.5")
SERVICES_MAX: Final = 32
SERVICES_ADDED_MAX: Final = 4
ALERTS_MAX: Final = 32
# IcCounter32 has 31 bits (PWG 5106.3).
MODULUS: Final = 2**31

# serviceType
SYSTEM_TOTALS: Final = 3
COPY: Final = 4
# A fax is printed where it comes in.
FAX_IN: Final = (7, 9)
PRINT: Final = 11

# workType
WORK_TOTALS: Final = 3
DATASTREAM, AUXILIARY, WASTE, MAINTENANCE = 4, 5, 6, 7
LIFETIME: Final = 3

# event types that say what became of a counter
_EVENTS: Final = {6: "reset", 7: "wrapped to 0"}


class _Place(NamedTuple):
    channel: str
    services: tuple[int, ...]
    column: bytes
    unit: Unit
    work: int = WORK_TOTALS


# The best first: what finds no room in one answer is left out from the end.
_PLACES: Final = (
    _Place("total", (SYSTEM_TOTALS,), IMPRESSIONS, Unit.IMPRESSIONS),
    _Place("prints", (PRINT,), IMPRESSIONS, Unit.IMPRESSIONS),
    _Place("copies", (COPY,), IMPRESSIONS, Unit.IMPRESSIONS),
    _Place("faxes", FAX_IN, IMPRESSIONS, Unit.IMPRESSIONS),
    _Place("auxiliary", (PRINT,), IMPRESSIONS, Unit.IMPRESSIONS, AUXILIARY),
    _Place("waste", (PRINT,), IMPRESSIONS, Unit.IMPRESSIONS, WASTE),
    _Place("maintenance", (PRINT,), IMPRESSIONS, Unit.IMPRESSIONS, MAINTENANCE),
    _Place("datastream", (PRINT,), IMPRESSIONS, Unit.IMPRESSIONS, DATASTREAM),
    _Place("duplex", (PRINT,), TWO_SIDED, Unit.IMPRESSIONS),
    _Place("sheets", (SYSTEM_TOTALS,), SHEETS, Unit.SHEETS),
    _Place("mono", (SYSTEM_TOTALS,), MONOCHROME, Unit.IMPRESSIONS),
    _Place("colour", (SYSTEM_TOTALS,), FULL_COLOUR, Unit.IMPRESSIONS),
    _Place("blank", (SYSTEM_TOTALS,), BLANK, Unit.IMPRESSIONS),
    _Place("print-sheets", (PRINT,), SHEETS, Unit.SHEETS),
)


async def imaging_channels(conversation: Conversation) -> list[PinnedChannel]:
    """The lifetime counts of all work, whether the device answers each of them or not; empty where it has none."""
    walk = await Walk({SERVICE_KEY: SERVICES_MAX}).finish(conversation)
    keys = _keys(walk.found[SERVICE_KEY])
    return [channel for place in _PLACES if (channel := _channel(place, keys)) is not None]


async def named_resets(conversation: Conversation) -> list[str]:
    """What icAlertTable says of counters that were reset or wrapped: positive evidence, for people."""
    walk = await Walk({ALERT_TYPE: ALERTS_MAX, ALERT_COUNTER: ALERTS_MAX}).finish(conversation)
    notes = []
    for index, varbind in walk.found[ALERT_TYPE].items():
        event = _EVENTS.get(_number(varbind) or 0)
        if event is not None:
            counter = _text(walk.found[ALERT_COUNTER].get(index)) or "of no name"
            notes.append(f"its alert table says that the counter {counter} was {event}")
    return notes


def as_answered(channel: PinnedChannel, values: Mapping[bytes, Varbind]) -> PinnedChannel:
    """Of several services only those that have such a row: not each knows all kinds of work."""
    there = tuple(term for term in channel.terms if (found := values.get(term.name)) is not None and not found.absent)
    if len(channel.terms) == 1 or not there or there == channel.terms:
        return channel
    return replace(channel, terms=there, modulus=MODULUS if len(there) == 1 else NO_MODULUS)


def _channel(place: _Place, keys: Mapping[int, Sequence[int]]) -> PinnedChannel | None:
    found = [key for service in place.services for key in keys.get(service, ())][:SERVICES_ADDED_MAX]
    if not found:
        return None
    return PinnedChannel(
        place.channel,
        tuple(Term(instance(place.column, key, place.work, LIFETIME)) for key in found),
        place.unit,
        MODULUS if len(found) == 1 else NO_MODULUS,
        SOURCE,
        "the standard's imaging counters",
        term_modulus=MODULUS,
    )


def _keys(rows: Mapping[Index, Varbind]) -> dict[int, list[int]]:
    """Service type to the keys of its services."""
    keys: dict[int, list[int]] = {}
    for index, varbind in rows.items():
        key = _number(varbind)
        if len(index) == 2 and key is not None and 0 < key < 2**31:
            keys.setdefault(index[0], []).append(key)
    return keys


def _number(varbind: Varbind) -> int | None:
    try:
        return number(varbind)
    except DecodeError:
        return None


def _text(varbind: Varbind | None) -> str:
    return printable(varbind.content) if varbind is not None and varbind.tag == OCTET_STRING else ""
