"""SNMPv3 messages with USM parameters (RFC 3412 section 6, RFC 3414 section 2.4): bytes in and out, no state."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final, NamedTuple

from pagereeve.meters.snmp.ber import OCTET_STRING, SEQUENCE, DecodeError, integer, read_tlv, tag_name, tlv
from pagereeve.meters.snmp.message import VERSION_3, small

USM: Final = 3
MAX_SIZE: Final = 65_507
AUTH_FLAG: Final = 1
PRIV_FLAG: Final = 2
REPORTABLE_FLAG: Final = 4
REPORT: Final = 0xA8
ENGINE_ID_MAX: Final = 32
USER_MAX: Final = 32
INT_MAX: Final = 2**31 - 1


class Security(NamedTuple):
    """msgSecurityParameters. ``auth`` is the digest, ``salt`` the privacy parameters."""

    engine_id: bytes
    boots: int
    time_s: int
    user: bytes
    auth: bytes
    salt: bytes


@dataclass(frozen=True, slots=True)
class Message3:
    """A parsed message. ``auth_at`` is where its digest is; ``data`` the scoped PDU, or its ciphertext."""

    message_id: int
    flags: int
    security: Security
    auth_at: int
    data: bytes


def encode(message_id: int, flags: int, security: Security, data: bytes) -> tuple[bytes, int]:
    """The message, and where its digest is. ``data`` is whole: a scoped PDU, or an OCTET STRING that hides one."""
    head = tlv(SEQUENCE, integer(message_id) + _header_rest(flags))
    salt = tlv(OCTET_STRING, security.salt)
    parameters = (
        _engine_and_boots(security.engine_id, security.boots)
        + integer(security.time_s)
        + _octet_string(security.user)
        + tlv(OCTET_STRING, security.auth)
        + salt
    )
    wrapped = tlv(OCTET_STRING, tlv(SEQUENCE, parameters))
    message = tlv(SEQUENCE, integer(VERSION_3) + head + wrapped + data)
    return message, len(message) - len(data) - len(salt) - len(security.auth)


# What one printer's messages have in common is encoded once; an entry is some hundred octets.
ENGINES_KEPT: Final = 4096


@lru_cache(maxsize=8)
def _header_rest(flags: int) -> bytes:
    """What follows the message id in the header."""
    return integer(MAX_SIZE) + tlv(OCTET_STRING, bytes((flags,))) + integer(USM)


@lru_cache(maxsize=ENGINES_KEPT)
def _engine_and_boots(engine_id: bytes, boots: int) -> bytes:
    return tlv(OCTET_STRING, engine_id) + integer(boots)


@lru_cache(maxsize=ENGINES_KEPT)
def _octet_string(name: bytes) -> bytes:
    """Of a user or an engine: few, and the same in each message. Nothing secret is kept here."""
    return tlv(OCTET_STRING, name)


def decode(data: bytes) -> Message3:
    """Raises DecodeError."""
    at, end = _sequence(data, 0, len(data), "message")
    version, at = small(data, at, end, "version")
    if version != VERSION_3:
        raise DecodeError(f"message version {version} where 3 belongs")
    inner, stop = _sequence(data, at, end, "header")
    message_id, inner = small(data, inner, stop, "message id")
    _, inner = small(data, inner, stop, "largest size")
    flags, inner, _ = _octets(data, inner, stop, "flags")
    model, _ = small(data, inner, stop, "security model")
    if len(flags) != 1 or model != USM:
        raise DecodeError(f"{len(flags)} octets of flags and security model {model}; 1 and {USM} are known")
    wrapped, at, start = _octets(data, stop, end, "security parameters")
    security, auth_at = _security(data, start, start + len(wrapped))
    return Message3(message_id, flags[0], security, auth_at, data[at:end])


def _security(data: bytes, at: int, end: int) -> tuple[Security, int]:
    at, end = _sequence(data, at, end, "security parameters")
    engine_id, at, _ = _octets(data, at, end, "engine id")
    boots, at = small(data, at, end, "engine boots")
    time_s, at = small(data, at, end, "engine time")
    user, at, _ = _octets(data, at, end, "user name")
    auth, at, auth_at = _octets(data, at, end, "authentication parameters")
    salt, _, _ = _octets(data, at, end, "privacy parameters")
    if len(engine_id) > ENGINE_ID_MAX or len(user) > USER_MAX:
        raise DecodeError(f"an engine id of {len(engine_id)} and a user name of {len(user)} octets; 32 at most")
    if not (0 <= boots <= INT_MAX and 0 <= time_s <= INT_MAX):
        raise DecodeError(f"engine boots {boots} or engine time {time_s} is out of range")
    return Security(engine_id, boots, time_s, user, auth, salt), auth_at


def scoped_pdu(engine_id: bytes, context: bytes, pdu: bytes) -> bytes:
    return tlv(SEQUENCE, _octet_string(engine_id) + _octet_string(context) + pdu)


def hidden(ciphertext: bytes) -> bytes:
    return tlv(OCTET_STRING, ciphertext)


def ciphertext_in(data: bytes) -> bytes:
    """Raises DecodeError."""
    return _octets(data, 0, len(data), "encrypted PDU")[0]


def pdu_in(data: bytes) -> int:
    """Where the PDU of a scoped PDU begins. Raises DecodeError. What is behind the sequence is padding."""
    at, end = _sequence(data, 0, len(data), "scoped PDU")
    for what in ("context engine id", "context name"):
        _, at, _ = _octets(data, at, end, what)
    return at


def _sequence(data: bytes, at: int, end: int, what: str) -> tuple[int, int]:
    tag, start, stop = read_tlv(data, at, end)
    if tag != SEQUENCE:
        raise DecodeError(f"{tag_name(tag)} where the {what} belongs")
    return start, stop


def _octets(data: bytes, at: int, end: int, what: str) -> tuple[bytes, int, int]:
    """The octets, what follows them, and where they are."""
    tag, start, stop = read_tlv(data, at, end)
    if tag != OCTET_STRING:
        raise DecodeError(f"{tag_name(tag)} where the {what} belongs")
    return data[start:stop], stop, start
