"""Figures that one octet string holds as records: tag, kind, length, value
(one maker's devices: bieniu/brother, brother/const.py).

A record is one octet of tag, one of kind, one of length, and as many octets of value, the highest first. The octet
0xFF where a tag belongs ends the list; some agents leave it out.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

from pagereeve.meters.snmp.ber import DecodeError

END: Final = 0xFF
KIND_NUMBER: Final = 0x01
VALUE_OCTETS_MAX: Final = 8
RECORDS_MAX: Final = 64


def record_of(content: bytes, tag: int) -> int | None:
    """The value of a record, None where there is none of that tag. Raises DecodeError for a list that breaks off."""
    return _records(content).get(tag)


@lru_cache(maxsize=64)
def _records(content: bytes) -> dict[int, int]:
    found: dict[int, int] = {}
    at = 0
    while at < len(content) and content[at] != END:
        if len(found) == RECORDS_MAX:
            raise DecodeError(f"more than {RECORDS_MAX} records in one octet string")
        if at + 3 > len(content):
            raise DecodeError(f"a list of records breaks off at octet {at}")
        tag, kind, size = content[at : at + 3]
        stop = at + 3 + size
        if stop > len(content):
            raise DecodeError(f"a record of {size} octets breaks off at octet {at}")
        # Some devices write a record twice; the first one counts.
        if kind == KIND_NUMBER and 1 <= size <= VALUE_OCTETS_MAX:
            found.setdefault(tag, int.from_bytes(content[at + 3 : stop], "big"))
        at = stop
    return found
