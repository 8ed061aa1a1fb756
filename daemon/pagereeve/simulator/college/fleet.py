"""Thousands of printers in one process, each on a port of its own, for benchmarks: light agents, no print engine."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from pagereeve.ports.clock import Clock
from pagereeve.simulator.printer.model import UNIT_CODES, PrinterSpec, ShownState
from pagereeve.simulator.snmp.agent import Address, DatagramDoor
from pagereeve.simulator.snmp.light_agent import LightAgent
from pagereeve.simulator.snmp.mib import HR_PRINTER, LIFE_COUNT, SYSTEM, Row, printer_rows

DEVICE: Final = 1
MARKER: Final = 1
IDLE: Final = 3
PRINTING: Final = 4


class FleetPrinter(DatagramDoor):
    """A printer that counts what ``mark`` says, at once, and answers unless it is ``silent``."""

    def __init__(self, spec: PrinterSpec, clock: Clock, community: str, more: Iterable[Row] = ()) -> None:
        """``more``: what it shows besides the standard rows."""
        super().__init__()
        self.name = spec.name
        self.silent = False
        self.count = spec.start_count
        self._clock, self._since_us = clock, clock.now_us()
        identity = (spec.serial, spec.object_id, spec.description)
        shown = ShownState(spec.start_count, 0, UNIT_CODES[spec.unit], IDLE, 2, 0, (), 0, *identity)
        self._agent = LightAgent(community, [*printer_rows(shown, spec.name, DEVICE, MARKER), *more])

    @property
    def answers(self) -> int:
        return self._agent.answers

    def put(self, row: Row) -> None:
        """Show this in the place of what has its name. Raises KeyError where there is none."""
        self._agent.put(row)

    def mark(self, impressions: int) -> None:
        self.count += impressions
        self.put(Row((*LIFE_COUNT, DEVICE, MARKER), "counter", self.count % 2**32))

    def show_printing(self, *, printing: bool) -> None:
        self.put(Row((*HR_PRINTER, 1, DEVICE), "integer", PRINTING if printing else IDLE))

    def datagram_received(self, data: bytes, addr: tuple[str | Any, int]) -> None:
        if self.silent:
            return
        uptime_cs = (self._clock.now_us() - self._since_us) // 10_000 % 2**32
        self._agent.put(Row((*SYSTEM, 3, 0), "ticks", uptime_cs))
        if (answer := self._agent.answer(data)) is not None:
            self.send(answer, addr)


class Fleet:
    """``size`` printers, ``fleet-0001`` and on. One open socket each: mind the limit on open files."""

    def __init__(self, size: int, clock: Clock, *, community: str = "public") -> None:
        specs = (PrinterSpec(f"fleet-{nth:04d}", serial=f"FL-{nth:06d}", start_count=nth) for nth in range(1, size + 1))
        self.printers = {spec.name: FleetPrinter(spec, clock, community) for spec in specs}

    async def start(self, host: str = "127.0.0.1") -> None:
        for printer in self.printers.values():
            await printer.bind(host, 0)

    async def stop(self) -> None:
        for printer in self.printers.values():
            printer.close()

    def addresses(self) -> dict[str, Address]:
        return {name: printer.address for name, printer in self.printers.items()}
