"""Serial numbers that name no device: what firmware, refurbishers and blank memories put in the place of one."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

# Common practice, no source: placeholders of firmwares and boards that were never given a number.
_PLACEHOLDERS: Final = frozenset(
    {
        "n/a",
        "na",
        "none",
        "null",
        "nil",
        "unknown",
        "not available",
        "notavailable",
        "not set",
        "unset",
        "undefined",
        "default",
        "serial",
        "serial number",
        "serialnumber",
        "no serial",
        "test",
        "1234567890",
        "0123456789",
        "123456789",
        "12345678",
        "123456",
    }
)
_FILLING: Final = " -_.:/#"


@lru_cache(maxsize=1024)
def names_nobody(serial: str) -> bool:
    """Whether many devices share a serial number: a placeholder, or one character over and over. Blank is no number."""
    bare = serial.strip().casefold()
    if bare in _PLACEHOLDERS or bare.strip("<>()[]\"'") in _PLACEHOLDERS:
        return True
    kept = {character for character in bare if character not in _FILLING}
    return bool(bare) and len(kept) <= 1
