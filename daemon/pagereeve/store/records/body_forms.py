"""A fact's body as it is stored: text, or packed into a fraction of it. Its canonical bytes come back exactly.

A packed body is one byte, the number of the dictionary, then raw DEFLATE (RFC 1951) of the body's UTF-8 with that
preset dictionary (zlib.net/manual.html, ``deflateSetDictionary``). With the second dictionary the body's instants stand
before it, and marks in their places (instants_apart.py): a byte says how many. Which form a row has its type says: text
or bytes. Rows of before are text, or of the first dictionary; nothing rewrites them. That a body is what was written
its digest says (checked_rows.py).
"""

from __future__ import annotations

import zlib
from typing import Any, Final

from pagereeve.store.records.instants_apart import joined, parted, read, written

PACKED_MAX: Final = 2**20
"""Bytes of a body. A longer one stays text, so that a damaged row can't swell to more."""
# 4 KiB: dictionary and body lie in it. A larger one packs no better, and takes ten times as long to set up.
_WINDOW_BITS: Final = -12
_MEMORY_LEVEL: Final = 5
_LEVEL: Final = 6
_FIRST: Final = 1
_PARTED: Final = 2
_DAMAGED: Final = "\0"

# Words of the bodies, the most frequent last. What is packed with a dictionary needs it forever: another one gets
# another number, and this one stays as it is to the byte.
_WORDS: Final = (
    b'","unit_grades":{"total":"learnt"},"moduli":{"total":4294967296},"description":"","responder":"","counters":['
    b'{"channel":"total","grade":"said","object":"1.3.6.1.2.1.43.10.2.1.4.1.1","part":false,"source":"standard-mib",'
    b'"unit":"impressions","value":10}]'
    b'{"at":"2026-01-01T00:00:00.000000Z","by":"","fact":"person-named","known":"2026-01-01T00:00:00.000000Z","person":'
    b'"p-000000000000","text":"","word":"cost_centre"}'
    b'{"at":"2026-01-01T00:00:00.000000Z","fact":"policy","policy":{"badge_within_us":0,"blank_backs":"unknown",'
    b'"charging":"lesser","copies":"as-ticket","fall_back":10,"floor_us":1000000,"fresh_us":60000000,'
    b'"large_media_weight":null,"longest_stalled_us":259200000000,"longest_us":14400000000,"modulus":4294967296,'
    b'"number_up":"as-ticket","separator_sheets":0,"settle_longest_us":120000000,"settle_us":10000000,'
    b'"sides":"as-ticket","speed_per_minute":200,"start_up_pages":null,"tolerance_pages":0,"tolerance_permille":0,'
    b'"unmoved_us":120000000},"printer":"'
    b'","errors":["no-paper","jammed","door-open","low-toner"],"object_id":"1.3.6.1.4.1.11.2.3.9.1",'
    b'{"at":"2026-01-01T00:00:00.000000Z","fact":"release-answered","id":"","printer":"","reading":"in-hand","source":"",'
    b'"started":"2026-01-01T00:00:00.000000Z"}'
    b'{"count":1,"fact":"read-failed","first_sent":"2026-01-01T00:00:00.000000Z","last_received":'
    b'"2026-01-01T00:00:00.000000Z","printer":"","reason":"timeout"}'
    b'{"at":"2026-01-01T00:00:00.000000Z","clock":"missing","data":{"badge":"b-","gateway":"gateway-","printer":""},'
    b'"fact":"event","id":"","received":"2026-01-01T00:00:00.000000Z","source":"urn:","type":'
    b'"pagereeve.badge.presented.v1"}'
    b'"outcome":"canceled","outcome":"failed","color_mode":"color","media":"iso_a4_210x297mm","sides":'
    b'"two-sided-short-edge","title":"","gateway":"","badge":"b-","state":"warmup","state":"stopped","state":"other",'
    b'{"count":2,"counts":{"color":1,"duplex":1,"mono":1,"scans":1,"total":1},"errors":[],"fact":"reading",'
    b'"first_received":"2026-01-01T00:00:00.000000Z","first_sent":"2026-01-01T00:00:00.000000Z","first_uptime_cs":1,'
    b'"last_received":"2026-01-01T00:00:00.000000Z","last_sent":"2026-01-01T00:00:00.000000Z","last_uptime_cs":1,'
    b'"object_id":"1.3.6.1.4.1.","objects":{"total":"1.3.6.1.2.1.43.10.2.1.4.1.1"},"printer":"printer-","serial":"",'
    b'"state":"printing","units":{"color":"impressions","total":"sheets"}}","state":"idle","units":{"total":'
    b'"impressions"}}'
    b'{"at":"2026-01-01T00:00:00.000000Z","data":{"outcome":"completed","pages_sent":1,"release":"","ticket":{"pages":1}'
    b'},"fact":"event","id":"","occurred":"2026-01-01T00:00:00.000000Z","printer":"","received":'
    b'"2026-01-01T00:00:00.000000Z","source":"urn:","type":"pagereeve.release.ended.v1"}'
    b'{"at":"2026-01-01T00:00:00.000000Z","data":{"gateway":"","job":"job-","owner":"","printer":"","release":"",'
    b'"ticket":{"color_mode":"monochrome","copies":1,"number_up":1,"pages":1,"separator_sheets":0,"sides":'
    b'"two-sided-long-edge"}},"sides":"one-sided"}},"fact":"event","id":"","occurred":"2026-01-01T00:00:00.000000Z",'
    b'"printer":"printer-","received":"2026-01-01T00:00:00.000000Z","source":"urn:","type":'
    b'"pagereeve.release.started.v1"}'
)
# The same words with marks, and before those of events how readings name the channels that there are.
_STAMP: Final = b'"2026-01-01T00:00:00.000000Z"'
_MARK: Final = b"\x01"
_EVENTS: Final = b'{"at":"2026-01-01T00:00:00.000000Z","data":{"outcome"'
_CHANNELS: Final = (
    b'{"count":1,"counts":{"blank":1,"colour":1,"copies":1,"duplex":1,"large":1,"mono":1,"prints":1,"sheets":1,"total":1}'
    b',"errors":[],"fact":"reading","first_received":"2026-01-01T00:00:00.000000Z","first_sent":'
    b'"2026-01-01T00:00:00.000000Z","first_uptime_cs":1,"last_received":"2026-01-01T00:00:00.000000Z","last_sent":'
    b'"2026-01-01T00:00:00.000000Z","last_uptime_cs":1,"object_id":"1.3.6.1.4.1.","printer":"printer-","serial":"",'
    b'"state":"idle","units":{"blank":"impressions","colour":"impressions","copies":"impressions","duplex":"impressions",'
    b'"large":"impressions","mono":"impressions","prints":"impressions","sheets":"sheets","total":"impressions"}}'
)
_PARTED_WORDS: Final = _WORDS.replace(_EVENTS, _CHANNELS + _EVENTS).replace(_STAMP, _MARK)
DICTIONARIES: Final = {_FIRST: _WORDS, _PARTED: _PARTED_WORDS}
_PRIMED: Final = {
    number: zlib.compressobj(_LEVEL, zlib.DEFLATED, _WINDOW_BITS, _MEMORY_LEVEL, zlib.Z_DEFAULT_STRATEGY, words)
    for number, words in DICTIONARIES.items()
}


def packed_body(body: str | bytes) -> str | bytes:
    """What is stored of a body: packed, or itself where that is no longer, or where it is packed. The inverse of
    ``unpacked_body``.
    """
    if isinstance(body, bytes):
        return body
    plain = body.encode(errors="surrogateescape")
    if len(plain) > PACKED_MAX:
        return body
    apart = parted(body)
    if apart is None:
        packed = _deflated(_FIRST, bytes((_FIRST,)), plain)
    else:
        words, instants = apart
        head = bytes((_PARTED, len(instants))) + written(instants)
        packed = _deflated(_PARTED, head, words.encode(errors="surrogateescape"))
    return packed if len(packed) < len(plain) else body


def _deflated(number: int, head: bytes, plain: bytes) -> bytes:
    packing = _PRIMED[number].copy()
    return head + packing.compress(plain) + packing.flush()


def unpacked_body(stored: Any) -> Any:
    """The body of what is stored. Never raises: what can't be unpacked becomes text that is no JSON.

    What is neither text nor bytes (a damaged row may hold anything) comes back as it is.
    """
    if not isinstance(stored, bytes):
        return stored
    number = stored[0] if stored else 0
    plain = _of_parted(stored) if number == _PARTED else _inflated(_FIRST, stored[1:]) if number == _FIRST else None
    return _damaged(stored) if plain is None else plain


def _of_parted(stored: bytes) -> str | None:
    known = read(stored[2:], stored[1]) if len(stored) > 1 else None
    if known is None:
        return None
    instants, size_bytes = known
    words = _inflated(_PARTED, stored[2 + size_bytes :])
    return None if words is None else joined(words, instants)


def _inflated(number: int, packed: bytes) -> str | None:
    """None for what can't be unpacked, or is more than a body may be."""
    unpacking = zlib.decompressobj(_WINDOW_BITS, DICTIONARIES[number])
    try:
        plain = unpacking.decompress(packed, PACKED_MAX + 1)
    except zlib.error:
        return None
    if not unpacking.eof or unpacking.unused_data or len(plain) > PACKED_MAX:
        return None
    return plain.decode(errors="surrogateescape")


def _damaged(stored: bytes) -> str:
    return _DAMAGED + stored.hex()
