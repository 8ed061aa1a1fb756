"""Every printer of a site looked at before people are moved to it: names, ports and meters, side by side.

Nothing is printed and nothing is changed. So many at once behind one gateway, since its table of connections is small.
"""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from pagereeve.ports.inspection import Inspection, Inspector
from pagereeve.ports.meter import MeterTarget
from pagereeve.proof.stages.network import PortSeen, addresses_of, port_of
from pagereeve.queries.readiness import PortLook, PrinterLook, ProofKnown
from pagereeve.settings import PrinterSettings, Settings

AT_ONCE_MAX: Final = 256
PER_GATEWAY_MAX: Final = 16
CONNECT_S: Final = 5.0


@dataclass(slots=True)
class CutoverLook:
    """``proven_us`` is when each was proven, by printer; None where the journal can't be read."""

    settings: Settings
    inspector: Inspector
    proven_us: Mapping[str, int] | None
    timeout_s: float
    on_done: Callable[[PrinterLook], None]
    _names: dict[str, asyncio.Task[list[str] | str]] = field(default_factory=dict)

    async def all(self, printers: Sequence[PrinterSettings], targets: Sequence[MeterTarget]) -> list[PrinterLook]:
        """In the order given."""
        room = asyncio.Semaphore(AT_ONCE_MAX)
        gateways: dict[str, asyncio.Semaphore] = defaultdict(lambda: asyncio.Semaphore(PER_GATEWAY_MAX))
        hosts = {gateway.name: gateway.host for gateway in self.settings.gateways}

        async def one(printer: PrinterSettings, target: MeterTarget) -> PrinterLook:
            async with gateways[printer.gateway or printer.host], room:
                seen = await self._one(printer, target, hosts.get(printer.gateway or ""))
            self.on_done(seen)
            return seen

        return await asyncio.gather(*(one(each, target) for each, target in zip(printers, targets, strict=True)))

    async def _one(self, printer: PrinterSettings, target: MeterTarget, gateway_host: str | None) -> PrinterLook:
        place = f"[{printer.host}]:{printer.port}" if ":" in printer.host else f"{printer.host}:{printer.port}"
        proof, proven_us = self._proof(printer)
        if printer.meter == "panel":
            return PrinterLook(printer.name, printer.gateway or "", "", proof="by-entry", by_panel=True)
        found = await self._addresses(printer.host)
        if isinstance(found, str):
            return PrinterLook(
                printer.name, printer.gateway or "", place, name_trouble=found, proof=proof, proven_us=proven_us
            )
        gateway = None if gateway_host is None else await self._addresses(gateway_host)
        printing, web, seen = await asyncio.gather(
            self._port(printer.host, printer.print_port),
            self._port(printer.host, printer.web_port),
            self.inspector.inspect(target, self.timeout_s),
        )
        return PrinterLook(
            printer=printer.name,
            gateway=printer.gateway or "",
            place=place,
            addresses=tuple(found),
            gateway_addresses=None if gateway is None else () if isinstance(gateway, str) else tuple(gateway),
            print_port=printing,
            web_port=web,
            meter_trouble="" if seen.failure is None else seen.failure.detail or seen.failure.reason.value,
            meter_reason="" if seen.failure is None else seen.failure.reason.value,
            model=seen.identity.model or seen.identity.description,
            serial=seen.identity.serial,
            total=_total(seen),
            proof=proof,
            proven_us=proven_us,
        )

    async def _addresses(self, host: str) -> list[str] | str:
        """A name is asked for once; a text says why it has no address."""
        if host not in self._names:
            self._names[host] = asyncio.create_task(_addresses(host))
        return await self._names[host]

    @staticmethod
    async def _port(host: str, port: int | None) -> PortLook | None:
        if port is None:
            return None
        seen: PortSeen = await port_of(host, port, CONNECT_S)
        return PortLook(seen.port, seen.reach, seen.detail)

    def _proof(self, printer: PrinterSettings) -> tuple[ProofKnown, int | None]:
        """A note has its date; the entry's unit is the site's word that pages proved it."""
        when = None if self.proven_us is None else self.proven_us.get(printer.name)
        if when is not None:
            return "noted", when
        if printer.unit is not None:
            return "by-entry" if printer.unit_grade == "proven" else "by-model", None
        return "not-known" if self.proven_us is None else "never", None


async def _addresses(host: str) -> list[str] | str:
    try:
        return await addresses_of(host, CONNECT_S)
    except TimeoutError:
        return "the name service does not answer"
    except OSError as error:
        return error.strerror or str(error)


def _total(seen: Inspection) -> int | None:
    return next((one.value for one in seen.channels if one.name == "total"), None)
