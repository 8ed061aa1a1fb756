"""Printers' meters and jobs through whichever protocol their entries name: SNMP, IPP, or both beside one another."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import replace
from time import perf_counter
from typing import Final

from pagereeve.domain.facts.reading import Failure, Reading, SilenceReason
from pagereeve.meters.discovery.profile import Profiles
from pagereeve.meters.ipp.inspecting import ipp_inspection
from pagereeve.meters.ipp.meter import IppMeter
from pagereeve.meters.ipp.transport import IppTransport
from pagereeve.meters.ipp.witness import IppWitness
from pagereeve.meters.job_witnesses import JobWitnesses
from pagereeve.meters.panel import not_asked, panel_inspection
from pagereeve.meters.reader import SnmpMeter
from pagereeve.meters.snmp.stats import MeterHooks
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy
from pagereeve.ports.inspection import Inspection, NextStep
from pagereeve.ports.jobs import JobsLook
from pagereeve.ports.meter import MeterTarget
from pagereeve.ports.telemetry import MeterTelemetry

BY_IPP: Final = NextStep('Its IPP has a count: write meter = "ipp" in its entry, and its pages are counted by that.')

# Nobody ever answered SNMP, or the agent has no count: silence of one that did answer says nothing of the kind.
WITHOUT_COUNT: Final = frozenset({SilenceReason.TIMEOUT, SilenceReason.NO_METER, SilenceReason.UNIT_NOT_USABLE})
HINT: Final = 'its IPP has a count: meter = "ipp" in its entry makes that the meter'
HINT_MAX_S: Final = 3.0
NOBODY: Final = ", which nothing is compared with (ipp_fingerprint pins it)"


class MeterDoors:
    """Implements ports.meter.Meter, ports.inspection.Inspector and ports.jobs.JobWitness."""

    def __init__(self, snmp: SnmpMeter, clock: Clock, hooks: MeterHooks | None = None) -> None:
        self.snmp = snmp
        self._clock = clock
        self._hooks = hooks or MeterHooks()
        self._transport = IppTransport(clock, snmp.stats)
        self._ipp = IppMeter(clock, self._transport, self._hooks.on_note)
        self._ipp_jobs = IppWitness(clock, self._hooks.on_note, self._transport)
        self._hints: dict[str, tuple[MeterTarget, bool]] = {}
        self._jobs = JobWitnesses(snmp, self._ipp_jobs)

    @classmethod
    def of(
        cls, clock: Clock, entropy: Entropy, hooks: MeterHooks | None = None, profiles: Profiles | None = None
    ) -> MeterDoors:
        """Sockets open with the first read."""
        return cls(SnmpMeter.of(clock, entropy, hooks, profiles), clock, hooks)

    @property
    def profiles(self) -> Profiles:
        return self.snmp.profiles

    def telemetry(self) -> MeterTelemetry:
        return self.snmp.telemetry()

    async def read(self, target: MeterTarget, timeout_s: float) -> Reading | Failure:
        if target.meter == "panel":
            return not_asked(self._clock.now_us())
        if target.meter == "snmp":
            result = await self.snmp.read(target, timeout_s)
            if isinstance(result, Failure) and result.reason in WITHOUT_COUNT and target.ipp_port is not None:
                return await self._with_hint(target, result, timeout_s)
            return result
        began_s = perf_counter()
        result = await self._ipp.read(target, timeout_s)
        self.snmp.stats.reads["reading" if isinstance(result, Reading) else result.reason.value] += 1
        if self._hooks.on_read is not None:
            self._hooks.on_read(target.printer, result, perf_counter() - began_s)
        return result

    async def _with_hint(self, target: MeterTarget, failure: Failure, timeout_s: float) -> Failure:
        """Whether its IPP has a count is asked once; which of the two is the meter, a person says."""
        known = self._hints.get(target.printer)
        if known is None or known[0] != target:
            result, _, _ = await self._ipp.look_over(target, min(timeout_s, HINT_MAX_S))
            known = self._hints[target.printer] = (target, isinstance(result, Reading))
        return replace(failure, detail=f"{failure.detail}; {HINT}") if known[1] else failure

    async def inspect(self, target: MeterTarget, timeout_s: float) -> Inspection:
        """Where the entry names a port of IPP, what each shows, the one that is read first."""
        if target.meter == "panel":
            return panel_inspection(target, self._clock.now_us())
        if target.ipp_port is None:
            return await self.snmp.inspect(target, timeout_s)
        by_snmp, by_ipp = await asyncio.gather(
            self.snmp.inspect(target, timeout_s), self._inspect_ipp(target, timeout_s)
        )
        if target.meter == "ipp":
            return replace(by_ipp, beside=by_snmp)
        if by_snmp.failure is not None and by_ipp.reading is not None:
            by_snmp = replace(by_snmp, next_step=BY_IPP)
        return replace(by_snmp, beside=by_ipp)

    async def _inspect_ipp(self, target: MeterTarget, timeout_s: float) -> Inspection:
        began_s = perf_counter()
        result, shown, peer = await self._ipp.look_over(target, timeout_s)
        notes = await self._ipp_jobs.told(target) if shown is not None else []
        if peer.fingerprint:
            checked = "" if target.ipp_tls is None or target.ipp_tls.fingerprint or target.ipp_tls.ca_file else NOBODY
            notes = [f"TLS certificate: SHA-256 {peer.fingerprint}{checked}", *notes]
        return ipp_inspection(target, result, shown, tuple(notes), perf_counter() - began_s)

    async def look(
        self, target: MeterTarget, timeout_s: float, *, busy: bool, names: Sequence[str] = ()
    ) -> Sequence[JobsLook]:
        return await self._jobs.look(target, timeout_s, busy=busy, names=names)

    def forget(self, printer: str) -> None:
        """Drop what is remembered of a printer that the registry no longer has."""
        self.snmp.forget(printer)
        self._hints.pop(printer, None)
        self._ipp.forget(printer)
        self._ipp_jobs.forget(printer)

    async def close(self) -> None:
        await self.snmp.close()
        await self._transport.close()
