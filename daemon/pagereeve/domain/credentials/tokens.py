"""Bearer tokens (RFC 6750): what they look like, and the digest that is kept in their place.

A token of ours holds 256 bits of chance, and a plain SHA-256 is enough to keep it: a slow hash, as for passwords, makes
each guess dear where few guesses would do, and of 2**256 tokens nobody tries a share worth naming, however fast. For
the same reason a token of the site's own has TOKEN_MIN characters at least.
"""

from __future__ import annotations

import base64
import hashlib
from typing import Final

SECRET_BYTES: Final = 32
TOKEN_PREFIX: Final = "pagereeve-"  # noqa: S105 - it says that one follows
# 128 bits, as base64 writes them: six bits a character.
TOKEN_MIN: Final = 22


def token_of(secret: bytes) -> str:
    """The token of SECRET_BYTES random bytes. Its beginning lets people, and searches for secrets, know it."""
    return TOKEN_PREFIX + base64.urlsafe_b64encode(secret).decode().rstrip("=")


def digest_of(token: bytes) -> str:
    """What is kept of a token: the hexadecimal digits of its SHA-256."""
    return hashlib.sha256(token).hexdigest()


def token_trouble(token: str) -> str:
    """Why a token is none that a sender can show, or that nobody could guess; "" where nothing is wrong.

    Nothing of it is repeated.
    """
    if not token:
        return "is empty; put a token into it, as from: pagereeve credentials add"
    if any(not "!" <= character <= "~" for character in token):
        return "holds a blank, a control character or one outside of ASCII, which no header can carry; make another"
    if len(token) < TOKEN_MIN:
        return f"is shorter than {TOKEN_MIN} characters (128 bits), and could be guessed; make another"
    return ""
