"""The same objects read by an independent implementation (pysnmp): two readers that agree are worth more than one."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from types import ModuleType
from typing import Any, Final

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.ports.inspection import ChannelFound
from pagereeve.ports.meter import MeterTarget, UsmUser

SYS_OBJECT_ID: Final = "1.3.6.1.2.1.1.2.0"
OBJECTS_MAX: Final = 64
TRY_S: Final = 2.0
RETRIES: Final = 2
NO_SUCH_NAME: Final = 2

RECORD_HEAD: Final = 3
RECORDS_END: Final = 0xFF


class NoOpinion(PagereeveError):
    """The second reader got no answer; the text says what it got, and holds no credential."""


async def second_opinion(target: MeterTarget, channels: Sequence[ChannelFound], wait_s: float) -> Mapping[str, str]:
    """What pysnmp reads, as text: each channel's count by the channel's name, and SYS_OBJECT_ID's value by that.

    What the agent does not have is left out. ``wait_s`` is for all of it. Raises NoOpinion.
    """
    # A heavy import, which only a proof pays for; off the loop, where other proofs wait for their answers.
    hlapi = await asyncio.to_thread(_pysnmp)
    places = dict.fromkeys((SYS_OBJECT_ID, *(place.partition("#")[0] for one in channels for place in one.objects)))
    if len(places) > OBJECTS_MAX:
        raise NoOpinion(f"{len(places)} objects are more than {OBJECTS_MAX}")
    try:
        async with asyncio.timeout(wait_s):
            values = await _read(hlapi, target, tuple(places))
    except TimeoutError:
        raise NoOpinion(f"pysnmp: not done within {wait_s:g} s") from None
    except OSError as error:
        raise NoOpinion(f"pysnmp: {error.strerror or 'no way there'}") from error
    known = {one.name: str(value) for one in channels if (value := _value(one, values)) is not None}
    return known if values[SYS_OBJECT_ID] is None else {**known, SYS_OBJECT_ID: values[SYS_OBJECT_ID].prettyPrint()}


def _pysnmp() -> ModuleType:
    from pysnmp.hlapi.v3arch import asyncio as hlapi  # noqa: PLC0415 - see second_opinion

    module: ModuleType = hlapi
    return module


async def _read(hlapi: Any, target: MeterTarget, places: tuple[str, ...]) -> dict[str, Any]:
    """One object a request, one request at a time; None where the agent has none."""
    from pysnmp.error import PySnmpError  # noqa: PLC0415 - loaded by now

    kind = hlapi.Udp6TransportTarget if ":" in target.host else hlapi.UdpTransportTarget
    context = hlapi.ContextData(contextName=target.user.context.encode() if target.user else b"")
    engine = hlapi.SnmpEngine()
    try:
        transport = await kind.create((target.host, target.port), timeout=TRY_S, retries=RETRIES)
        return {place: await _get(hlapi, (engine, _who(hlapi, target), transport, context), place) for place in places}
    except PySnmpError as error:
        # Its text may quote what it was given, credentials among it.
        raise NoOpinion(f"pysnmp: {type(error).__name__}") from None
    finally:
        engine.close_dispatcher()


async def _get(hlapi: Any, asking: tuple[Any, ...], place: str) -> Any:
    asked = hlapi.ObjectType(hlapi.ObjectIdentity(place))
    trouble, status, _, found = await hlapi.get_cmd(*asking, asked, lookupMib=False)
    if trouble:
        raise NoOpinion(f"pysnmp: {trouble} for {place}")
    # Version 1 refuses the request where the others name the object as absent (RFC 3416 section 4.2.1).
    if int(status) == NO_SUCH_NAME:
        return None
    if int(status):
        raise NoOpinion(f"pysnmp: {status.prettyPrint()} for {place}")
    value = found[0][1]
    return None if isinstance(value, hlapi.NoSuchObject | hlapi.NoSuchInstance | hlapi.EndOfMibView) else value


def _value(channel: ChannelFound, values: Mapping[str, Any]) -> int | None:
    """The sum of a channel's objects; None where one of them is absent or no number."""
    total = 0
    for place in channel.objects:
        oid, _, record = place.partition("#")
        value = values[oid]
        if value is None:
            return None
        try:
            total += _record(bytes(value), int(record, 16)) if record else int(value)
        except (TypeError, ValueError):
            return None
    return total


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
    """A record of tag, kind, length and value; parsed here again, since the first reader might be wrong."""
    rest = content
    while len(rest) > RECORD_HEAD and rest[0] != RECORDS_END:
        size = rest[2]
        if rest[0] == tag:
            return int.from_bytes(rest[RECORD_HEAD : RECORD_HEAD + size], "big")
        rest = rest[RECORD_HEAD + size :]
    raise ValueError(f"no record {tag} in {len(content)} octets")
