"""The same objects read by an independent implementation (pysnmp): two readers that agree are worth more than one."""

from __future__ import annotations

import asyncio
from typing import Any, Final

from pagereeve.domain.errors import PagereeveError
from pagereeve.ports.inspection import ChannelFound
from pagereeve.ports.meter import MeterTarget, UsmUser

RECORD_HEAD: Final = 3
RECORDS_END: Final = 0xFF


class NoOpinion(PagereeveError):
    """The second reader got no answer; the text says what it got."""


async def second_opinion(target: MeterTarget, channel: ChannelFound, wait_s: float) -> int:
    """The channel's value as pysnmp reads it. Raises NoOpinion."""
    # pysnmp is a heavy import; only a proof pays for it.
    from pysnmp.error import PySnmpError  # noqa: PLC0415 - see above

    total = 0
    try:
        for place in channel.objects:
            oid, _, record = place.partition("#")
            value = await _get(target, oid, wait_s)
            total += _record(bytes(value), int(record, 16)) if record else int(value)
    except (PySnmpError, OSError, TimeoutError, TypeError, ValueError) as error:
        raise NoOpinion(f"pysnmp: {type(error).__name__}: {error}") from error
    return total


async def _get(target: MeterTarget, oid: str, wait_s: float) -> Any:
    from pysnmp.hlapi.v3arch import asyncio as hlapi  # noqa: PLC0415 - see second_opinion

    engine = hlapi.SnmpEngine()
    try:
        transport = await hlapi.UdpTransportTarget.create((target.host, target.port), timeout=wait_s / 3, retries=2)
        context = hlapi.ContextData(contextName=target.user.context.encode() if target.user else b"")
        asked = hlapi.ObjectType(hlapi.ObjectIdentity(oid))
        async with asyncio.timeout(wait_s + 1):
            trouble, status, _, found = await hlapi.get_cmd(
                engine, _who(hlapi, target), transport, context, asked, lookupMib=False
            )
    finally:
        engine.close_dispatcher()
    if trouble or status:
        raise NoOpinion(f"pysnmp: {trouble or status.prettyPrint()} for {oid}")
    return found[0][1]


def _who(hlapi: Any, target: MeterTarget) -> Any:
    if target.version != "3":
        return hlapi.CommunityData(target.community, mpModel=0 if target.version == "1" else 1)
    user = target.user or UsmUser("")
    auth = {
        "md5": hlapi.usmHMACMD5AuthProtocol,
        "sha": hlapi.usmHMACSHAAuthProtocol,
        "sha224": hlapi.usmHMAC128SHA224AuthProtocol,
        "sha256": hlapi.usmHMAC192SHA256AuthProtocol,
        "sha384": hlapi.usmHMAC256SHA384AuthProtocol,
        "sha512": hlapi.usmHMAC384SHA512AuthProtocol,
    }
    privacy = {"des": hlapi.usmDESPrivProtocol, "aes": hlapi.usmAesCfb128Protocol}
    secrets: dict[str, Any] = {}
    if user.auth is not None:
        secrets |= {"authKey": user.auth_password, "authProtocol": auth[user.auth]}
    if user.priv is not None:
        secrets |= {"privKey": user.priv_password, "privProtocol": privacy[user.priv]}
    return hlapi.UsmUserData(user.name, **secrets)


def _record(content: bytes, tag: int) -> int:
    """A record of tag, kind, length and value; told apart here again, since the first reader might be wrong."""
    rest = content
    while len(rest) > RECORD_HEAD and rest[0] != RECORDS_END:
        size = rest[2]
        if rest[0] == tag:
            return int.from_bytes(rest[RECORD_HEAD : RECORD_HEAD + size], "big")
        rest = rest[RECORD_HEAD + size :]
    raise NoOpinion(f"no record {tag} in {len(content)} octets")
