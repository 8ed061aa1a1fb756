"""Bearer tokens (RFC 6750 section 2.1). Only their digests are kept and compared."""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Iterable


class BearerTokens:
    """The tokens that an endpoint accepts; with none, it accepts everybody. The tokens themselves are not kept."""

    def __init__(self, tokens: Iterable[str] = ()) -> None:
        self._digests = tuple(_digest(token.encode()) for token in tokens)

    def __bool__(self) -> bool:
        return bool(self._digests)

    def admit(self, authorization: bytes | None) -> bool:
        """Whether the value of an Authorization header carries one of the tokens, in constant time."""
        if not self._digests:
            return True
        scheme, _, token = (authorization or b"").partition(b" ")
        if scheme.lower() != b"bearer":
            return False
        digest = _digest(token.strip())
        matches = [hmac.compare_digest(digest, known) for known in self._digests]
        return any(matches)


def _digest(token: bytes) -> bytes:
    return hashlib.sha256(token).digest()
