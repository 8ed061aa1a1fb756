"""Text as agents send it: in any encoding, with NULs, control characters and spaces around it."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

# Longer text is cut: SnmpAdminString and DisplayString end there as well (RFC 3411 section 5, RFC 2579 section 2).
CHARS_MAX: Final = 255


@lru_cache(maxsize=1024)
def printable(raw: bytes) -> str:
    """Text of an agent's octets: UTF-8 if it is that, else Latin-1; without control characters, NULs, outer spaces,
    and cut at CHARS_MAX.
    """
    try:
        text = raw.decode()
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    return "".join(character for character in text if character.isprintable()).strip()[:CHARS_MAX]
