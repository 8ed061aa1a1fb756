"""A recording without names: what is text and not known to be harmless is replaced, object by object.

The same text gets the same replacement everywhere in one recording, of the same length and form (letters for letters,
digits for digits). Nobody can find the text by trying: the key is drawn for one recording and thrown away.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from pagereeve.meters.recording.harmless import Harmless
from pagereeve.meters.snmp.ber import INTEGER, IP_ADDRESS, OCTET_STRING, UNSIGNED_BYTES, Varbind, oid_bytes

# 192.0.2.0/24 is for documentation (RFC 5737).
DOCUMENTATION_NET: Final = bytes((192, 0, 2))
# Shorter texts say nothing about anybody where they turn up elsewhere, and turn up everywhere.
TELLING_BYTES: Final = 4
MAC_BYTES: Final = 6
INDEX_MAX: Final = 64
TRIES: Final = 16


@dataclass(frozen=True, slots=True)
class AnonymousRecording:
    """``replaced`` objects hold another value; ``left_out`` named in their index, or as a number, what was replaced."""

    rows: Mapping[bytes, Varbind]
    replaced: int
    left_out: int


def anonymous(rows: Mapping[bytes, Varbind], harmless: Harmless, key: bytes) -> AnonymousRecording:
    """``key`` is drawn for this recording, 32 bytes."""
    names = _Names(key)
    kept: dict[bytes, Varbind] = {}
    for name, one in rows.items():
        if one.tag == OCTET_STRING and not harmless.keeps(name, one.content):
            kept[name] = one._replace(content=names.text(one.content))
        elif one.tag == IP_ADDRESS and any(one.content):
            kept[name] = one._replace(content=names.address(one.content))
        else:
            kept[name] = one
    replaced = sum(kept[name] != one for name, one in rows.items())
    told = {name for name, one in kept.items() if names.betrays(one)}
    return AnonymousRecording({name: one for name, one in kept.items() if name not in told}, replaced, len(told))


@dataclass(slots=True)
class _Names:
    """What was replaced so far, and by what."""

    key: bytes
    _texts: dict[bytes, bytes] = field(default_factory=dict)
    _addresses: dict[bytes, bytes] = field(default_factory=dict)
    _telling: dict[bytes, bytes] = field(default_factory=dict)
    _digits: set[bytes] = field(default_factory=set)

    def text(self, content: bytes) -> bytes:
        known = self._texts.get(content)
        if known is None:
            known = self._texts[content] = self._another(content)
            digits = content.strip().lstrip(b"0")
            if len(digits) >= TELLING_BYTES and digits.isdigit():
                self._digits.add(digits)
            if len(content) >= TELLING_BYTES and (_is_text(content) or len(content) == MAC_BYTES):
                self._telling[_arcs(content)] = content
        return known

    def address(self, content: bytes) -> bytes:
        known = self._addresses.get(content)
        if known is None:
            last = self._stream(b"address", content, 0)[0] % 254 + 1
            known = self._addresses[content] = DOCUMENTATION_NET + bytes((last,))
            self._telling[_arcs(content)] = content
        return known

    def betrays(self, one: Varbind) -> bool:
        """Whether its index, or its number, is a text or address that was replaced."""
        if any(arcs in one.oid for arcs in self._telling):
            return True
        if one.tag != INTEGER and one.tag not in UNSIGNED_BYTES:
            return False
        figure = int.from_bytes(one.content, "big")
        if figure.to_bytes(len(one.content) + 1, "big")[-len(DOCUMENTATION_NET) - 1 :] in self._addresses:
            return True
        return str(figure).encode() in self._digits

    def _another(self, content: bytes) -> bytes:
        """Of the same form; a very short text may have no other."""
        for nth in range(TRIES):
            stream = self._stream(b"text", content, nth)
            made = bytes(map(_like, content, stream)) if _is_text(content) else stream[: len(content)]
            if made != content:
                return made
        return bytes(len(content))

    def _stream(self, use: bytes, content: bytes, nth: int) -> bytes:
        blocks = range(len(content) // hashlib.sha256().digest_size + 1)
        head = use + bytes((nth,))
        return b"".join(hmac.digest(self.key, head + block.to_bytes(4, "big") + content, "sha256") for block in blocks)


def _like(octet: int, drawn: int) -> int:
    """An octet of the same class: upper or lower case, digit; what else is printed stays, all others are letters."""
    for first, last in ((0x30, 0x39), (0x41, 0x5A), (0x61, 0x7A)):
        if first <= octet <= last:
            return first + drawn % (last - first + 1)
    return octet if octet < 0x80 else 0x61 + drawn % 26


def _is_text(content: bytes) -> bool:
    """Printable in ASCII or any of its extensions; a lone control character at the end is an agent's slip."""
    return all(octet >= 0x20 and octet != 0x7F for octet in content.rstrip(b"\0\r\n")) and any(content)


def _arcs(text: bytes) -> bytes:
    """As an index has it, an arc for each octet; of a long text, its beginning."""
    return oid_bytes(".".join(("1.3", *map(str, text[:INDEX_MAX]))))[1:]
