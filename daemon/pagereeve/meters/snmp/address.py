"""Where a printer's agent is: names made into addresses, looked up again from time to time and after failures."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final, NamedTuple

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.meters.snmp.stats import MeterStats
from pagereeve.ports.clock import Clock

TTL_S = 300
NAMES_MAX = 20_000
NAME_CHARS_MAX = 253

# (host, port) or, for IPv6, (host, port, scope): what must be equal in a request's destination and an answer's source.
Key = tuple[Any, ...]


class NameNotFound(PagereeveError):
    """The name service gave no address; the text says what it said."""


class AgentAddress(NamedTuple):
    """``sockaddr`` is what sendto takes, ``key`` what an answer must come from."""

    family: int
    sockaddr: Key
    key: Key


def source_key(family: int, sockaddr: Key) -> Key:
    """The part of a socket address that identifies a peer: an IPv6 flow label may differ from packet to packet."""
    if family == socket.AF_INET:
        return sockaddr
    host, port, _, scope = sockaddr
    return (host.partition("%")[0], port, scope)


def key_label(key: Key) -> str:
    host, port = key[:2]
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


@lru_cache(maxsize=NAMES_MAX)
def numeric(host: str, port: int) -> AgentAddress | None:
    """The address that ``host`` spells in figures, or None if it is a name (or has a zone, as fe80::1%eth0 has)."""
    try:
        plain = socket.inet_ntop(socket.AF_INET, socket.inet_pton(socket.AF_INET, host))
    except (OSError, ValueError):
        pass
    else:
        key = (plain, port)
        return AgentAddress(socket.AF_INET, key, key)
    try:
        plain = socket.inet_ntop(socket.AF_INET6, socket.inet_pton(socket.AF_INET6, host))
    except (OSError, ValueError):
        return None
    if plain.startswith("::ffff:") and "." in plain:
        return numeric(plain.removeprefix("::ffff:"), port)
    return AgentAddress(socket.AF_INET6, (plain, port, 0, 0), (plain, port, 0))


@dataclass(slots=True)
class _Known:
    address: AgentAddress
    until_us: int


_FAMILIES: Final = (socket.AF_INET, socket.AF_INET6)


class Resolver:
    """Names to addresses, remembered for ``ttl_s``; numeric addresses never touch the name service."""

    def __init__(self, clock: Clock, stats: MeterStats, *, ttl_s: float = TTL_S) -> None:
        self._clock = clock
        self._stats = stats
        self._ttl_us = int(ttl_s * 1_000_000)
        self._known: dict[tuple[str, int], _Known] = {}
        self._asking: dict[tuple[str, int], asyncio.Task[AgentAddress]] = {}

    async def resolve(self, host: str, port: int, timeout_s: float) -> AgentAddress:
        """The address to send to. Raises NameNotFound, also where the name service takes longer than ``timeout_s``."""
        if address := self.known(host, port):
            return address
        key = (host, port)
        task = self._asking.get(key)
        if task is None:
            task = self._asking[key] = asyncio.create_task(self._look_up(host, port))
            task.add_done_callback(lambda done: self._looked_up(key, done))
        try:
            # Shielded: a thread that waits for the name service can't be stopped, and others wait for it too.
            return await asyncio.wait_for(asyncio.shield(task), timeout_s)
        except TimeoutError:
            raise NameNotFound(f"the name service took longer than {timeout_s:.1f} s for {host[:80]!r}") from None

    def known(self, host: str, port: int) -> AgentAddress | None:
        """The address without asking anybody; None where ``resolve`` has to look it up."""
        if address := numeric(host, port):
            return address
        known = self._known.get((host, port))
        return known.address if known and self._clock.monotonic_us() < known.until_us else None

    def forget(self, host: str, port: int) -> None:
        """Look the name up again next time: the old address does not answer."""
        self._known.pop((host, port), None)

    async def close(self) -> None:
        tasks = list(self._asking.values())
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    async def _look_up(self, host: str, port: int) -> AgentAddress:
        self._stats.lookups += 1
        if not 1 <= len(host) <= NAME_CHARS_MAX or "\0" in host:
            raise NameNotFound(f"{host[:80]!r} is no host name")
        try:
            found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_DGRAM)
        except (OSError, UnicodeError) as error:
            raise NameNotFound(f"no address for {host[:80]!r}: {error}") from error
        return _first(host, ((family, sockaddr) for family, _, _, _, sockaddr in found))

    def _looked_up(self, key: tuple[str, int], task: asyncio.Task[AgentAddress]) -> None:
        self._asking.pop(key, None)
        if task.cancelled():
            return
        if task.exception() is not None:
            self._stats.lookup_failures += 1
            self._known.pop(key, None)
            return
        while len(self._known) >= NAMES_MAX:
            del self._known[next(iter(self._known))]
        self._known[key] = _Known(task.result(), self._clock.monotonic_us() + self._ttl_us)


def _first(host: str, found: Iterable[tuple[int, Any]]) -> AgentAddress:
    for family, sockaddr in found:
        if family in _FAMILIES:
            return AgentAddress(family, sockaddr, source_key(family, sockaddr))
    raise NameNotFound(f"{host[:80]!r} has no IPv4 or IPv6 address")
