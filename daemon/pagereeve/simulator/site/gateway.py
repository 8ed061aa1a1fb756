"""A gateway: owns the address, forwards to the printers behind it, sends badge numbers, has an agent of its own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from pagereeve.ports.clock import Clock
from pagereeve.simulator.errors import BadScenario
from pagereeve.simulator.site.badge_lines import BadgeSender, LineFormat
from pagereeve.simulator.site.relays import PrintRelay, SnmpRelay
from pagereeve.simulator.snmp.agent import Address, DatagramDoor
from pagereeve.simulator.snmp.answers import SnmpResponder
from pagereeve.simulator.snmp.mib import Oid, View, system_rows

# 32473 is the enterprise number reserved for examples (RFC 5612).
GATEWAY_OBJECT_ID: Final[Oid] = (1, 3, 6, 1, 4, 1, 32473, 9, 1)


class OwnAgent(DatagramDoor):
    """The gateway's own agent: a system group, nothing of a printer."""

    def __init__(self, name: str, clock: Clock, community: str) -> None:
        super().__init__()
        self._name, self._clock = name, clock
        self._since_us = clock.now_us()
        self._responder = SnmpResponder(community, self._view)

    def answer(self, datagram: bytes) -> bytes | None:
        return self._responder.answer(datagram)

    def datagram_received(self, data: bytes, addr: tuple[str | Any, int]) -> None:
        if (answer := self.answer(data)) is not None:
            self.send(answer, addr)

    def _view(self) -> View:
        uptime_cs = (self._clock.now_us() - self._since_us) // 10_000 % 2**32
        return View(system_rows("Simulated gateway", GATEWAY_OBJECT_ID, uptime_cs, self._name))


@dataclass(frozen=True, slots=True)
class Forward:
    """One printer's two ports on the gateway's address."""

    printer: str
    print_relay: PrintRelay
    snmp_relay: SnmpRelay


class Gateway:
    """Start it, then ``forward`` each printer and ``badges.point`` it to whoever takes badge lines."""

    def __init__(self, name: str, clock: Clock, *, line: LineFormat | None = None, community: str = "public") -> None:
        self.name = name
        self._clock = clock
        self._host = "127.0.0.1"
        self._forwards: dict[str, Forward] = {}
        self.line = line or LineFormat()
        self.badges = BadgeSender(clock, self.line)
        self.own_agent = OwnAgent(name, clock, community)

    async def start(self, host: str = "127.0.0.1") -> None:
        self._host = host
        await self.own_agent.bind(host, 0)

    async def stop(self) -> None:
        await self.badges.stop()
        for forward in self._forwards.values():
            await forward.print_relay.stop()
            await forward.snmp_relay.stop()
        self.own_agent.close()

    async def forward(
        self, printer: str, print_address: Address, snmp_address: Address, ports: tuple[int, int] = (0, 0)
    ) -> Forward:
        """Open the printer's two ports on this gateway's address: for print data, and for SNMP."""
        forward = Forward(
            printer=printer,
            print_relay=PrintRelay(print_address, self._clock),
            snmp_relay=SnmpRelay(snmp_address, self.own_agent.answer),
        )
        self._forwards[printer] = forward
        await forward.print_relay.start(self._host, ports[0])
        await forward.snmp_relay.start(self._host, ports[1])
        return forward

    def of(self, printer: str) -> Forward:
        """Raises BadScenario where the printer is not behind this gateway."""
        if printer not in self._forwards:
            raise BadScenario(f"{printer} is not behind gateway {self.name}")
        return self._forwards[printer]

    @property
    def printers(self) -> tuple[str, ...]:
        return tuple(self._forwards)

    def present(self, badge: str) -> None:
        """Somebody holds a badge to the reader."""
        self.badges.present(badge)

    def drop_snmp_forward(self, printer: str) -> None:
        """The forward is gone: the gateway's own agent answers in the printer's place."""
        self.of(printer).snmp_relay.mode = "own-agent"

    def snmp_down(self, printer: str) -> None:
        self.of(printer).snmp_relay.mode = "down"

    def print_down(self, printer: str) -> None:
        self.of(printer).print_relay.down = True

    def slow(self, printer: str, slow_s: float) -> None:
        forward = self.of(printer)
        forward.print_relay.slow_s = forward.snmp_relay.slow_s = slow_s

    def mend(self, printer: str) -> None:
        """Undo every fault of the printer's two ports."""
        forward = self.of(printer)
        forward.snmp_relay.mode = "relay"
        forward.print_relay.down = False
        forward.print_relay.slow_s = forward.snmp_relay.slow_s = 0.0
