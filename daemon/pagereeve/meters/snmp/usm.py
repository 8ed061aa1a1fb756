"""The User-based Security Model's arithmetic: keys from passwords, digests, encryption (RFC 3414, RFC 3826, RFC 7860).

Authentication is the standard library's HMAC; the ciphers are those of ``cryptography``.
"""

from __future__ import annotations

import hashlib
import hmac
from functools import lru_cache
from typing import Final, NamedTuple

from cryptography.hazmat.decrepit.ciphers.algorithms import TripleDES
from cryptography.hazmat.decrepit.ciphers.modes import CFB
from cryptography.hazmat.primitives.ciphers import Cipher, CipherContext
from cryptography.hazmat.primitives.ciphers.algorithms import AES
from cryptography.hazmat.primitives.ciphers.modes import CBC

from pagereeve.meters.snmp.ber import DecodeError
from pagereeve.ports.meter import AuthProtocol, PrivProtocol, UsmUser

PASSWORD_MIN: Final = 8
EXPANDED_BYTES: Final = 1_048_576
PRIVACY_KEY_BYTES: Final = 16
DES_BLOCK: Final = 8
SALT_BYTES: Final = 8
WEAK: Final = frozenset({"md5", "des"})


class Digest(NamedTuple):
    """A hash function, and how many of its octets are sent."""

    name: str
    sent_bytes: int


# RFC 3414 sections 6 and 7; RFC 7860 section 4.2.2.
DIGESTS: Final[dict[AuthProtocol, Digest]] = {
    "md5": Digest("md5", 12),
    "sha": Digest("sha1", 12),
    "sha224": Digest("sha224", 16),
    "sha256": Digest("sha256", 24),
    "sha384": Digest("sha384", 32),
    "sha512": Digest("sha512", 48),
}


class Keys(NamedTuple):
    """Localised to one engine; empty where the user has none."""

    auth: bytes
    privacy: bytes

    def __repr__(self) -> str:
        return "Keys(...)"


def refuse_weak(user: UsmUser) -> str:
    """Why a user can't be used at all; empty where it can."""
    if user.priv is not None and user.auth is None:
        return "privacy without authentication does not exist (RFC 3414 section 1.4.2)"
    weak = [protocol for protocol in (user.auth, user.priv) if protocol in WEAK]
    if weak and not user.allow_weak:
        return f"{' and '.join(weak)} can be broken; allow_weak permits it all the same"
    passwords = [user.auth_password] * bool(user.auth) + [user.priv_password] * bool(user.priv)
    if any(len(password.encode()) < PASSWORD_MIN for password in passwords):
        return f"a password has fewer than {PASSWORD_MIN} octets (RFC 3414 section 11.2)"
    return ""


@lru_cache(maxsize=1024)
def password_key(password: str, protocol: AuthProtocol) -> bytes:
    """The user's key before it is bound to an engine (RFC 3414 appendix A.2); ``refuse_weak`` refuses short passwords.

    It hashes a megabyte, so it is done once for each password.
    """
    octets = password.encode()
    repeated = octets * (EXPANDED_BYTES // len(octets) + 1)
    return hashlib.new(DIGESTS[protocol].name, repeated[:EXPANDED_BYTES], usedforsecurity=True).digest()


def localized(key: bytes, engine_id: bytes, protocol: AuthProtocol) -> bytes:
    """The key for one engine alone (RFC 3414 section 2.6)."""
    return hashlib.new(DIGESTS[protocol].name, key + engine_id + key, usedforsecurity=True).digest()


def keys_of(user: UsmUser, engine_id: bytes) -> Keys:
    if user.auth is None:
        return Keys(b"", b"")
    auth = localized(password_key(user.auth_password, user.auth), engine_id, user.auth)
    if user.priv is None:
        return Keys(auth, b"")
    privacy = localized(password_key(user.priv_password, user.auth), engine_id, user.auth)
    return Keys(auth, privacy[:PRIVACY_KEY_BYTES])


def digest(key: bytes, message: bytes, protocol: AuthProtocol) -> bytes:
    """What authenticates a message whose own digest is all zeros."""
    kind = DIGESTS[protocol]
    return hmac.digest(key, message, kind.name)[: kind.sent_bytes]


def same(left: bytes, right: bytes) -> bool:
    """In a time that does not depend on where they differ."""
    return hmac.compare_digest(left, right)


def encrypt(protocol: PrivProtocol, key: bytes, boots: int, time_s: int, salt: bytes, plain: bytes) -> bytes:
    """``salt`` is msgPrivacyParameters: eight octets, never twice with one key."""
    if protocol == "des":
        # CBC works on whole blocks; what is behind the BER of the content is ignored (RFC 3414 section 8.1.1.2).
        plain += bytes(-len(plain) % DES_BLOCK)
    worker: CipherContext = _cipher(protocol, key, boots, time_s, salt).encryptor()
    return worker.update(plain) + worker.finalize()


def decrypt(protocol: PrivProtocol, key: bytes, boots: int, time_s: int, salt: bytes, secret: bytes) -> bytes:
    """Raises DecodeError for what can be no ciphertext."""
    if len(salt) != SALT_BYTES:
        raise DecodeError(f"{len(salt)} octets of privacy parameters where {SALT_BYTES} belong")
    if protocol == "des" and (not secret or len(secret) % DES_BLOCK):
        raise DecodeError(f"{len(secret)} encrypted octets are no whole number of DES blocks")
    worker: CipherContext = _cipher(protocol, key, boots, time_s, salt).decryptor()
    return worker.update(secret) + worker.finalize()


def _cipher(protocol: PrivProtocol, key: bytes, boots: int, time_s: int, salt: bytes) -> Cipher[CFB | CBC]:
    if protocol == "aes":
        # RFC 3826 section 3.1.2.1: boots, time and salt are the initialisation vector.
        return Cipher(AES(key), CFB(boots.to_bytes(4, "big") + time_s.to_bytes(4, "big") + salt))
    # RFC 3414 section 8.1.1.1: the second half of the key and the salt are. Three equal keys make triple DES single.
    vector = bytes(left ^ right for left, right in zip(key[8:16], salt, strict=True))
    return Cipher(TripleDES(key[:8] * 3), CBC(vector))
