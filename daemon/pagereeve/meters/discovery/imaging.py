"""The standard imaging counters (PWG 5106.3): where a device keeps them, its totals and what print alone made of them.

Keys are local numbers that join services to their counts: they are looked up in icServiceTable.
"""

from __future__ import annotations

from typing import Final

from pagereeve.domain.facts.reading import Unit
from pagereeve.meters.discovery.channels import PinnedChannel, Term
from pagereeve.meters.discovery.objects import instance
from pagereeve.meters.snmp.ber import DecodeError, Varbind, number, oid_bytes
from pagereeve.meters.snmp.conversation import Conversation
from pagereeve.meters.snmp.names import Index
from pagereeve.meters.snmp.walking import Walk

SOURCE: Final = "PWG 5106.3"
SERVICE_KEY: Final = oid_bytes("1.3.6.1.4.1.2699.1.3.1.3.1.1.3")
IMPRESSION_ENTRY: Final = "1.3.6.1.4.1.2699.1.3.1.8.1.1"
SHEET_ENTRY: Final = "1.3.6.1.4.1.2699.1.3.1.10.1.1"
SERVICES_MAX: Final = 32
# IcCounter32 has 31 bits (PWG 5106.3).
MODULUS: Final = 2**31

SYSTEM_TOTALS: Final = 3
COPY: Final = 4
PRINT: Final = 11
WORK_TOTALS: Final = 3
LIFETIME: Final = 3

# (channel, service type, entry, column, unit)
_OBJECTS: Final = (
    ("total", SYSTEM_TOTALS, IMPRESSION_ENTRY, 4, Unit.IMPRESSIONS),
    ("mono", SYSTEM_TOTALS, IMPRESSION_ENTRY, 5, Unit.IMPRESSIONS),
    ("blank", SYSTEM_TOTALS, IMPRESSION_ENTRY, 6, Unit.IMPRESSIONS),
    ("colour", SYSTEM_TOTALS, IMPRESSION_ENTRY, 7, Unit.IMPRESSIONS),
    ("sheets", SYSTEM_TOTALS, SHEET_ENTRY, 4, Unit.SHEETS),
    ("prints", PRINT, IMPRESSION_ENTRY, 4, Unit.IMPRESSIONS),
    ("copies", COPY, IMPRESSION_ENTRY, 4, Unit.IMPRESSIONS),
)


async def imaging_channels(conversation: Conversation) -> list[PinnedChannel]:
    """The lifetime counts of all work, whether the device answers each of them or not; empty where it has none."""
    walk = await Walk({SERVICE_KEY: SERVICES_MAX}).finish(conversation)
    keys = _keys(walk.found[SERVICE_KEY])
    return [
        PinnedChannel(
            name,
            (Term(instance(oid_bytes(f"{entry}.{column}"), keys[service], WORK_TOTALS, LIFETIME)),),
            unit,
            MODULUS,
            SOURCE,
            "the standard's imaging counters",
        )
        for name, service, entry, column, unit in _OBJECTS
        if service in keys
    ]


def _keys(rows: dict[Index, Varbind]) -> dict[int, int]:
    """Service type to key; of several services of one type the first."""
    keys: dict[int, int] = {}
    for index, varbind in rows.items():
        if len(index) != 2:
            continue
        try:
            key = number(varbind)
        except DecodeError:
            continue
        if 0 < key < 2**31:
            keys.setdefault(index[0], key)
    return keys
