"""What an agent answers about itself, its printer and its counters: walked subtree by subtree, all side by side.

Addresses, routes, connections and processes of the host are not asked for: nothing of a meter stands there.
"""

from __future__ import annotations

from typing import Final

from pagereeve.meters.discovery.objects import SYS_OBJECT_ID
from pagereeve.meters.discovery.responders import ENTERPRISES, enterprise_of
from pagereeve.meters.snmp.ber import DecodeError, Varbind, object_id, oid_bytes
from pagereeve.meters.snmp.conversation import Conversation
from pagereeve.meters.snmp.walking import Walk

# system (RFC 3418), hrDevice and its printers (RFC 2790), Printer-MIB (RFC 3805), PWG's own (5106.3 and others).
SUBTREES: Final = ("1.3.6.1.2.1.1", "1.3.6.1.2.1.25.3", "1.3.6.1.2.1.43", "1.3.6.1.4.1.2699")
ROWS_MAX: Final = 20_000


async def captured(conversation: Conversation, pinned: tuple[bytes, ...]) -> dict[bytes, Varbind]:
    """All of these subtrees and of the maker's own, and the instances ``pinned``, which may answer to GET alone.

    Raises ReadEnded where the agent stops answering: half a recording is none.
    """
    got = (await conversation.get(pinned if SYS_OBJECT_ID in pinned else (SYS_OBJECT_ID, *pinned))).values
    rows = {name: one for name, one in got.items() if not one.absent}
    subtrees = [oid_bytes(one) for one in SUBTREES]
    maker = _maker(rows.get(SYS_OBJECT_ID))
    walk = Walk(dict.fromkeys((*subtrees, *maker), ROWS_MAX))
    await walk.finish(conversation)
    for found in walk.found.values():
        rows |= {one.oid: one for one in found.values() if not one.absent}
    return rows


def _maker(identity: Varbind | None) -> tuple[bytes, ...]:
    if identity is None:
        return ()
    try:
        number = enterprise_of(object_id(identity))
    except DecodeError:
        return ()
    return () if number is None else (oid_bytes(f"{ENTERPRISES}{number}"),)
