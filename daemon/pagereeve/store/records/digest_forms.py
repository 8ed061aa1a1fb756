"""Digests, links and salts as they are stored: bytes; in rows of before, their hexadecimal text.

Which form a row has its type says, and both come back as text. Nothing rewrites rows of before.
"""

from __future__ import annotations

import re
from typing import Any, Final

DIGEST_BYTES: Final = 16
"""Of SHA-256 the leftmost 128 bits are stored (NIST SP 800-107 r1, section 5.1): they find damage, and tell a second
delivery from another claim. Against forgers stands the seal, whose links are whole."""
DIGEST_HEX: Final = 2 * DIGEST_BYTES
SALT_BYTES: Final = 16
LINK_BYTES: Final = 32
_DIVIDER: Final = ":"
_BETWEEN: Final = " "
_DIGEST: Final = re.compile(rf"(?:[0-9a-f]{{{DIGEST_HEX}}})?:[0-9a-f]{{{DIGEST_HEX}}}")
_LINK: Final = re.compile(rf"[0-9a-f]{{{2 * LINK_BYTES}}}")
_SALTS: Final = re.compile(rf"[0-9a-f]{{{2 * SALT_BYTES}}}(?: [0-9a-f]{{{2 * SALT_BYTES}}})*")


def packed_digest(digest: str | bytes | None) -> str | bytes | None:
    """Of a fact: the claim's, if any, then the body's. What has another form is stored as it is, packed or not."""
    if isinstance(digest, str) and _DIGEST.fullmatch(digest):
        return bytes.fromhex(digest.replace(_DIVIDER, ""))
    return digest


def unpacked_digest(stored: Any) -> Any:
    """The inverse of ``packed_digest``. Bytes of a wrong length (a damaged row) become a text that fits nothing."""
    if not isinstance(stored, bytes):
        return stored
    text = stored.hex()
    if len(stored) not in {DIGEST_BYTES, 2 * DIGEST_BYTES}:
        return f"{_DIVIDER}{_DIVIDER}{text}"
    return f"{text[:-DIGEST_HEX]}{_DIVIDER}{text[-DIGEST_HEX:]}"


def packed_link(link: str | bytes) -> str | bytes:
    return bytes.fromhex(link) if isinstance(link, str) and _LINK.fullmatch(link) else link


def unpacked_link(stored: Any) -> Any:
    return stored.hex() if isinstance(stored, bytes) else stored


def packed_openings(openings: str) -> str | bytes:
    """Salts; where one is erased, all stay text."""
    # Blanks between two digits are passed over.
    return bytes.fromhex(openings) if _SALTS.fullmatch(openings) else openings


def unpacked_openings(stored: Any) -> Any:
    if not isinstance(stored, bytes):
        return stored
    return _BETWEEN.join(stored[place : place + SALT_BYTES].hex() for place in range(0, len(stored), SALT_BYTES))
