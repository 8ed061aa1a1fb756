"""Meters looked at before their printers are in the settings: over SNMP alone, few at once, at a slow pace."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.app.cutover_look import CutoverLook
from pagereeve.meters.discovery.profile import Profiles
from pagereeve.meters.reader import SnmpMeter
from pagereeve.ports.inspection import Inspection
from pagereeve.ports.meter import MeterTarget
from pagereeve.ports.secrets import NoSecret
from pagereeve.queries.readiness import PrinterLook
from pagereeve.settings import BadSettings, PrinterSettings, Problem, Settings

READ_S: Final = 15.0
READ_OF_MANY_S: Final = 8.0
AT_ONCE: Final = 8
# Of single ones, which do not wait until a list is through.
SINGLE_AT_ONCE: Final = 4
# From one start to the next, whoever asks.
PACE_S: Final = 0.1
MEMBERS_OF_OTHERS: Final = {"print_port": None, "web_port": None, "ipp_port": None}


class PacedInspector:
    """An Inspector whose work is shared by all who check: its own sockets, never those of the daemon's meters."""

    def __init__(self, at_once: int = AT_ONCE, pace_s: float = PACE_S) -> None:
        self._room = asyncio.Semaphore(at_once)
        self._pace = asyncio.Lock()
        self._pace_s = pace_s

    def over(self, meter: SnmpMeter) -> _Paced:
        return _Paced(self, meter)

    async def inspect(self, meter: SnmpMeter, target: MeterTarget, timeout_s: float) -> Inspection:
        async with self._room:
            async with self._pace:
                await asyncio.sleep(self._pace_s)
            return await meter.inspect(target, timeout_s)


@dataclass(frozen=True, slots=True)
class _Paced:
    pace: PacedInspector
    meter: SnmpMeter

    async def inspect(self, target: MeterTarget, timeout_s: float) -> Inspection:
        return await self.pace.inspect(self.meter, target, timeout_s)


class UnreadableSecret(BadSettings):
    """Of a printer's entry. ``setting`` names it: its file is gone since the settings were read, say."""

    def __init__(self, printer: str, error: NoSecret) -> None:
        super().__init__("the settings", [Problem(printer, f"its secrets: {error}")])
        self.setting = error.setting


@dataclass(slots=True)
class Checking:
    """``profiles`` gives those that the daemon's meters go by."""

    profiles: Callable[[], Profiles]
    pace: PacedInspector = field(default_factory=PacedInspector)
    single: PacedInspector = field(default_factory=lambda: PacedInspector(SINGLE_AT_ONCE))

    async def one(self, entry: PrinterSettings) -> Inspection:
        """As ``pagereeve read`` does. Raises BadSettings where nobody has its profile, UnreadableSecret."""
        profiles = self.profiles()
        profiles.require([entry.profile])
        target = _target(entry)
        meter = SnmpMeter.of(SystemClock(), SystemEntropy(), profiles=profiles)
        try:
            return await self.single.over(meter).inspect(target, READ_S)
        finally:
            await meter.close()

    async def many(
        self,
        printers: Sequence[PrinterSettings],
        settings: Settings,
        proven_us: Mapping[str, int],
        on_done: Callable[[PrinterLook], None],
        pace: PacedInspector | None = None,
    ) -> None:
        """As ``pagereeve printers check`` does, but for print and web ports: nothing but SNMP is sent. ``pace`` is
        that of lists where it is left out. Raises BadSettings.
        """
        profiles = self.profiles()
        profiles.require(one.profile for one in printers)
        asked = [one.model_copy(update=MEMBERS_OF_OTHERS) for one in printers]
        targets = [_target(one) for one in asked]
        meter = SnmpMeter.of(SystemClock(), SystemEntropy(), profiles=profiles)
        try:
            look = CutoverLook(settings, (pace or self.pace).over(meter), proven_us, READ_OF_MANY_S, on_done)
            await look.all(asked, targets)
        finally:
            await meter.close()


def _target(entry: PrinterSettings) -> MeterTarget:
    try:
        return replace(entry.target(os.environ), meter="snmp", ipp_port=None)
    except NoSecret as error:
        raise UnreadableSecret(entry.name, error) from None
