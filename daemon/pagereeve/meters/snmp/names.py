"""Names that every agent knows (RFC 3418 section 2), and the index of a row (RFC 2578 section 7.7)."""

from __future__ import annotations

from typing import Final

from pagereeve.meters.snmp.ber import oid_bytes

SYSTEM_GROUP: Final = oid_bytes("1.3.6.1.2.1.1")
SYS_UP_TIME: Final = oid_bytes("1.3.6.1.2.1.1.3.0")

Index = tuple[int, ...]
