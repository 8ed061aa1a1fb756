"""What the daemon makes of an agent, with its reasons: for people, for the installation proof, never for the ledger."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple, Protocol

from pagereeve.domain.facts.reading import Failure, Reading, Unit, UnitGrade
from pagereeve.ports.meter import MeterDoor, MeterTarget, Version


@dataclass(frozen=True, slots=True)
class ChannelFound:
    """One channel of a meter. ``unit`` is None where it can't be compared with pages; ``unit_said`` is its word.

    ``objects`` are the instances whose values make ``value`` (their sum where there are several); ``source`` is the
    standard or the profile that names them, ``why`` the reason for choosing it. ``flags`` name what is odd about the
    encoding (``non-conforming``, ``text``, ``type``). ``grade`` is how the unit is known, ``rests_on`` what the meaning
    of the objects rests on: ``recording``, ``mib`` or ``hearsay``.
    """

    name: str
    unit: Unit | None
    unit_said: str
    value: int
    modulus: int
    objects: tuple[str, ...]
    source: str
    why: str
    flags: tuple[str, ...] = ()
    grade: UnitGrade = UnitGrade.ASSUMED
    rests_on: str = "mib"


@dataclass(frozen=True, slots=True)
class MarkerFound:
    """A marker of a printer, by its index; ``value`` is None where its life count is no number."""

    index: str
    value: int | None
    unit: str


@dataclass(frozen=True, slots=True)
class DeviceFound:
    """One printer of an agent that has several, by its hrDeviceIndex: an entry picks it by ``device`` or its serial."""

    index: int
    serial: str
    model: str
    markers: tuple[MarkerFound, ...]


@dataclass(frozen=True, slots=True)
class CheckMade:
    """One comparison of channels with one another. A failed one has cost the channels that it names their place."""

    passed: bool
    text: str


@dataclass(frozen=True, slots=True)
class PrinterIdentity:
    """``model`` is hrDeviceDescr, ``description`` sysDescr; all as the agent says, empty where it says nothing."""

    serial: str = ""
    object_id: str = ""
    model: str = ""
    description: str = ""


class ResponderKind(StrEnum):
    """What kind of device answered: one with something of the Printer-MIB; one that prints and has nothing of it (a
    print server, a printer's network card); one that says that it forwards packets; any other; one that does not say.
    """

    NOBODY = "nobody"
    PRINTER = "printer"
    PRINT_SERVER = "print-server"
    FORWARDER = "forwarder"
    OTHER = "other"
    UNSAID = "unsaid"


class Asked(NamedTuple):
    """One question to an agent; ``object`` is dotted, ``answer`` empty where it has no such object."""

    name: str
    object: str
    answer: str


class NextStep(NamedTuple):
    """What to do; ``source`` is published, or empty."""

    text: str
    source: str = ""


@dataclass(frozen=True, slots=True)
class Inspection:
    """``reading`` is what the daemon would record, ``failure`` why it can't; exactly one of the two is there.

    ``responder`` is the address that answered, empty if none did. ``channels`` are billed, ``witnesses`` are counted
    beside them; ``notes`` say what was looked for and not found, or found and not chosen. ``device`` is the index of
    the printer that is read, ``devices`` are all of the agent's where it has several. Where the read was refused,
    ``asked`` has what the agent was asked besides and ``next_step`` what to do. ``door`` is the protocol, ``beside``
    what the printer shows over the other one, where its entry names both.
    """

    responder: str
    version: Version
    identity: PrinterIdentity
    channels: tuple[ChannelFound, ...]
    checks: tuple[CheckMade, ...]
    notes: tuple[str, ...]
    reading: Reading | None
    failure: Failure | None
    took_s: float = 0.0
    device: int | None = None
    devices: tuple[DeviceFound, ...] = ()
    witnesses: tuple[ChannelFound, ...] = ()
    kind: ResponderKind = ResponderKind.NOBODY
    asked: tuple[Asked, ...] = ()
    next_step: NextStep | None = None
    door: MeterDoor = "snmp"
    beside: Inspection | None = None


class Inspector(Protocol):
    async def inspect(self, target: MeterTarget, timeout_s: float) -> Inspection:
        """Look an agent over from scratch within ``timeout_s``. Never raises for what a network or printer does."""
        ...
