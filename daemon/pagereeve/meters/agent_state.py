"""What is remembered of one printer between reads."""

from __future__ import annotations

from dataclasses import dataclass, field

from pagereeve.domain.facts.reading import Sight
from pagereeve.meters.discovery.objects import Pins
from pagereeve.meters.jobs.rows import JobRows
from pagereeve.meters.snmp.address import AgentAddress
from pagereeve.meters.snmp.ber import TIME_TICKS, DecodeError, Varbind, conforms, number
from pagereeve.meters.snmp.habits import Habit
from pagereeve.meters.snmp.limits import NO_HABITS, AgentLimits
from pagereeve.meters.snmp.message import Response
from pagereeve.meters.snmp.names import SYS_UP_TIME
from pagereeve.meters.snmp.question import SnmpRequest
from pagereeve.meters.snmp.session3 import Session3
from pagereeve.ports.meter import MeterTarget

Shown = tuple[Varbind, ...]


@dataclass(frozen=True, slots=True)
class SeenDevice:
    """What the last answer showed, and the values (all but the uptime) from which that was read."""

    shown: Shown
    sight: Sight
    power_on: int | None


@dataclass(frozen=True, slots=True)
class Usual:
    """The one request that brings all of a printer's values, the uptime first, and what its last answer showed behind
    it: one with the same values shows what ``seen`` holds.
    """

    request: SnmpRequest
    seen: SeenDevice

    def uptime_cs(self, response: Response) -> int | None:
        """Of an answer that shows nothing else than the last one; None for any other, an error or a report included."""
        varbinds = response.varbinds
        if response.error_status or varbinds[1:] != self.seen.shown:
            return None
        uptime = varbinds[0]
        if uptime.oid != SYS_UP_TIME or uptime.tag != TIME_TICKS:
            return None
        try:
            uptime_cs = number(uptime)
        except DecodeError:
            return None
        return uptime_cs if conforms(uptime) else None


@dataclass(slots=True)
class AgentState:
    """``usual`` is None while the printer needs more than one request, or anything about it is in doubt."""

    target: MeterTarget
    limits: AgentLimits = field(default_factory=AgentLimits)
    habits_noted: frozenset[Habit] = NO_HABITS
    pins: Pins | None = None
    look_again: bool = False
    surveyed_us: int = 0
    object_id: str = ""
    uptime_cs: int | None = None
    seen: SeenDevice | None = None
    usual: Usual | None = None
    lane: int = 0
    timeouts: int = 0
    session: Session3 | None = None
    address: AgentAddress | None = None
    answered: bool = False
    failed: bool = False
    tried_us: int | None = None
    jobs: JobRows = field(default_factory=JobRows)

    def unpin(self) -> None:
        """Search for the meter again at the next read. Where it was is kept: it may say nothing of it just now."""
        self.look_again = True
        self.seen = self.usual = None

    def find_usual(self) -> None:
        """After a good read: whether the next one may be as simple as a read can be."""
        seen, pins, limits = self.seen, self.pins, self.limits
        self.usual = None
        if seen is None or not seen.shown or pins is None or self.look_again or limits.habits or limits.lacking:
            return
        request = limits.template(pins.names)
        if request is None or len(pins.names) > limits.get.works or pins.names[0] != SYS_UP_TIME:
            return
        if tuple(one.oid for one in seen.shown) == pins.names[1:]:
            self.usual = Usual(request, seen)
