"""Signed requests: HMAC-SHA256 as standard-webhooks/standard-webhooks has it (specification, "Signature scheme").

What is signed is id, timestamp and body; no other header is. A message that was signed once can be sent again within
the tolerance by whoever saw it: that changes nothing, since an event is stored once under its source and id, and both
are in the body.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import re
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.values.instants import SECOND_US

SECRET_PREFIX: Final = "whsec_"  # noqa: S105 - it says that one follows
# The specification's bounds of a symmetric secret, "between 24 bytes (192 bits) and 64 bytes (512 bits)".
SECRET_MIN_BYTES: Final = 24
SECRET_MAX_BYTES: Final = 64
TOLERANCE_US: Final = 300 * SECOND_US
ID_MAX: Final = 256
# While a secret is renewed a sender signs with two; more than a few are nobody's.
SIGNATURES_MAX: Final = 8
_VERSION: Final = b"v1,"
_TIMESTAMP: Final = re.compile(rb"[0-9]{1,12}")


class BadSecret(ValueError):
    """Not the secret of a signer; holds nothing of it."""


@dataclass(frozen=True, slots=True)
class Signed:
    """The three headers of a signed request, as they came."""

    id: bytes
    timestamp: bytes
    signatures: bytes = field(repr=False)

    def is_well_formed(self) -> bool:
        return 0 < len(self.id) <= ID_MAX and _TIMESTAMP.fullmatch(self.timestamp) is not None and bool(self.digests())

    def is_fresh(self, now_us: int) -> bool:
        """Was it signed within TOLERANCE_US of our clock, either way? Only for one that is well formed."""
        return abs(int(self.timestamp) * SECOND_US - now_us) <= TOLERANCE_US

    def digests(self) -> list[bytes]:
        """What its signatures of our version say; others, and what is no base64, are passed over."""
        found = []
        for one in self.signatures.split(b" ")[:SIGNATURES_MAX]:
            if one.startswith(_VERSION):
                try:
                    found.append(base64.b64decode(one[len(_VERSION) :], validate=True))
                except binascii.Error:
                    continue
        return found

    def is_by(self, key: bytes, body: bytes) -> bool:
        """Did the holder of ``key`` sign this body? Compared in constant time."""
        expected = signature(key, self.id, self.timestamp, body)
        matches = [hmac.compare_digest(expected, one) for one in self.digests()]
        return any(matches)


def signature(key: bytes, message_id: bytes, timestamp: bytes, body: bytes) -> bytes:
    return hmac.digest(key, b".".join((message_id, timestamp, body)), hashlib.sha256)


def key_of(secret: str) -> bytes:
    """The key that a secret's text stands for: base64, with or without the prefix. Raises BadSecret."""
    try:
        key = base64.b64decode(secret.removeprefix(SECRET_PREFIX).encode(), validate=True)
    except binascii.Error:
        raise BadSecret(f"holds no secret of Standard Webhooks ({SECRET_PREFIX} and base64); make another") from None
    if not SECRET_MIN_BYTES <= len(key) <= SECRET_MAX_BYTES:
        raise BadSecret(f"holds {len(key)} bytes; a secret has {SECRET_MIN_BYTES} to {SECRET_MAX_BYTES}; make another")
    return key
