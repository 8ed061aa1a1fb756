"""Bearer tokens (RFC 6750 section 2.1). Only their digests are kept and compared."""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Iterable


class BearerTokens:
    """The tokens that an endpoint accepts; with none (false), it accepts everybody. The tokens are not kept."""

    def __init__(self, tokens: Iterable[str] = ()) -> None:
        self._digests = tuple(_digest(token.encode()) for token in tokens)

    def __bool__(self) -> bool:
        return bool(self._digests)

    def credential(self, authorization: bytes | None) -> str | None:
        """Which of the tokens an Authorization header's value carries, in constant time: its place among them.

        None for no token, or none of these.
        """
        scheme, _, token = (authorization or b"").partition(b" ")
        if scheme.lower() != b"bearer":
            return None
        digest = _digest(token.strip())
        matches = [hmac.compare_digest(digest, known) for known in self._digests]
        return str(matches.index(True)) if any(matches) else None


def _digest(token: bytes) -> bytes:
    return hashlib.sha256(token).digest()
