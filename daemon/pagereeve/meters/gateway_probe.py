"""A gateway's own sign of life, looked for once: a TCP connection, or sysUpTime of its own SNMP agent.

An agent that answers anything at all is alive, also one that refuses what was asked.
"""

from __future__ import annotations

import asyncio
from contextlib import suppress

from pagereeve.meters.snmp.address import NameNotFound, Resolver
from pagereeve.meters.snmp.endpoint import Endpoint
from pagereeve.meters.snmp.message import GET, template
from pagereeve.meters.snmp.names import SYS_UP_TIME
from pagereeve.meters.snmp.question import RequestPatience, SnmpAnswer
from pagereeve.meters.snmp.stats import MeterStats
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy
from pagereeve.ports.gateways import GatewayCheck


class NetworkProbe:
    """Implements ports.gateways.GatewayProbe; its SNMP endpoint is its own, opened when first needed."""

    def __init__(self, clock: Clock, entropy: Entropy) -> None:
        stats = MeterStats()
        self._endpoint = Endpoint(clock, entropy, stats)
        self._resolver = Resolver(clock, stats)
        self._clock = clock

    async def close(self) -> None:
        """End what is under way, and close the socket."""
        self._endpoint.close()
        await self._resolver.close()

    async def why_not(self, check: GatewayCheck, timeout_s: float) -> str:
        return await (self._snmp if check.kind == "snmp" else self._tcp)(check, timeout_s)

    async def _tcp(self, check: GatewayCheck, timeout_s: float) -> str:
        try:
            async with asyncio.timeout(timeout_s):
                _, writer = await asyncio.open_connection(check.host, check.port)
        except TimeoutError:
            return f"no connection within {timeout_s:g} s"
        except OSError as error:
            return f"no connection: {error.strerror or error}"
        writer.close()
        # How a connection ends that nothing was sent over says nothing more.
        with suppress(OSError, TimeoutError):
            async with asyncio.timeout(timeout_s):
                await writer.wait_closed()
        return ""

    async def _snmp(self, check: GatewayCheck, timeout_s: float) -> str:
        deadline_us = self._clock.monotonic_us() + int(timeout_s * 1_000_000)
        try:
            address = await self._resolver.resolve(check.host, check.port, timeout_s)
        except NameNotFound as error:
            return str(error)
        request = template("2c", check.community, GET, (SYS_UP_TIME,))
        result = await self._endpoint.ask(address, request, deadline_us, RequestPatience(first_s=timeout_s / 3))
        return "" if isinstance(result, SnmpAnswer) else result.detail
