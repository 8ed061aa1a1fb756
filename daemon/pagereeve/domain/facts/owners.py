"""Whether two names of owners are one person's: servers write a login now with capitals, now without."""

from __future__ import annotations

import unicodedata


def owner_key(name: str) -> str:
    """What all spellings of a login have in common: no blanks around it, no case (Unicode 15.0 section 3.13, D145).

    Letters with marks are one however they are composed. Letters that merely look alike stay different.
    """
    plain = name.strip()
    if plain.isascii():
        return plain.lower()
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", plain).casefold())
