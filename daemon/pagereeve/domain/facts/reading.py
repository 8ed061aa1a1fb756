"""One answer of a printer's meter, and what is stored of many equal ones."""

from __future__ import annotations

from dataclasses import field, replace
from enum import StrEnum
from typing import Final, Literal

from pagereeve.domain.values.records import dataclass

# RFC 2578 section 7.1.6.
COUNTER32_MODULUS: Final = 2**32
OF_IPP: Final = "ipp:"
"""An object whose name begins so is an attribute of IPP; all others are objects of SNMP."""


class PrinterState(StrEnum):
    """hrPrinterStatus (RFC 2790 section 4); ``absent`` where the agent has no such row."""

    OTHER = "other"
    UNKNOWN = "unknown"
    IDLE = "idle"
    PRINTING = "printing"
    WARMUP = "warmup"
    ABSENT = "absent"


class Unit(StrEnum):
    """What one step of a channel means (PrtMarkerCounterUnitTC, RFC 3805 section 6)."""

    IMPRESSIONS = "impressions"
    SHEETS = "sheets"
    UNKNOWN = "unknown"


KNOWN_UNITS = (Unit.IMPRESSIONS, Unit.SHEETS)


class UnitGrade(StrEnum):
    """How a counter's unit is known: by test pages on paper, from other counters or from releases, by what the agent
    says of itself, or by nothing but habit.
    """

    PROVEN = "proven"
    INFERRED = "inferred"
    SAID = "said"
    ASSUMED = "assumed"


class SilenceReason(StrEnum):
    """Why a read brought no reading. Never a zero.

    ``timeout`` is silence of somebody who never answered, ``asleep`` of somebody who did with the same settings,
    ``late`` of somebody whose answers come when nobody waits for them any more. ``not-admitted`` is an agent that says
    itself that it doesn't accept the user, a password or the security level.
    """

    TIMEOUT = "timeout"
    ASLEEP = "asleep"
    LATE = "late"
    NOT_ADMITTED = "not-admitted"
    REFUSED = "refused"
    UNREACHABLE = "unreachable"
    WRONG_RESPONDER = "wrong-responder"
    WRONG_DEVICE = "wrong-device"
    MALFORMED = "malformed"
    NO_METER = "no-meter"
    UNIT_NOT_USABLE = "unit-not-usable"
    NAME_NOT_FOUND = "name-not-found"


# hrPrinterDetectedErrorState (RFC 2790 section 4): bit 0 is the top bit of the first octet.
ERROR_BITS = (
    "lowPaper",
    "noPaper",
    "lowToner",
    "noToner",
    "doorOpen",
    "jammed",
    "offline",
    "serviceRequested",
    "inputTrayMissing",
    "outputTrayMissing",
    "markerSupplyMissing",
    "outputNearFull",
    "outputFull",
    "inputTrayEmpty",
    "overduePreventMaint",
)
STOPPING_ERRORS = frozenset(
    {"noPaper", "noToner", "doorOpen", "jammed", "offline", "outputFull", "markerSupplyMissing"}
)


def decode_error_bits(octets: bytes) -> tuple[str, ...]:
    """Names of the conditions set in a string of 0, 1, 2 or more octets, in bit order."""
    return tuple(
        name for bit, name in enumerate(ERROR_BITS) if bit // 8 < len(octets) and octets[bit // 8] & (0x80 >> bit % 8)
    )


@dataclass(frozen=True, slots=True)
class Count:
    """A channel's figure and the unit in which it steps.

    ``modulus`` is where it wraps to 0, as the profile says. 0 is nowhere that is known, as a sum or a Counter64: then
    each fall is a reset. ``object`` names the object that gave it: two objects of one printer are never subtracted from
    one another. Empty, it contradicts nothing. ``grade`` is how the unit is known.
    """

    value: int
    unit: Unit
    modulus: int = COUNTER32_MODULUS
    object: str = ""
    grade: UnitGrade = UnitGrade.SAID

    @property
    def by_ipp(self) -> bool:
        """The printer said it over IPP, not SNMP."""
        return self.object.startswith(OF_IPP)


@dataclass(frozen=True, slots=True)
class Counter:
    """One object of the printer that counts, billed or not: a witness of the others.

    ``object`` names it as Count.object does. ``channel`` is what it counts, or a part of (``total``, ``prints``,
    ``mono``, ...); ``part`` says that others of the same source must be added to it. ``source`` is who defined it
    (``Printer-MIB``, ``PWG 5106.3``, a profile's name).
    """

    object: str
    value: int
    channel: str
    source: str
    unit: Unit = Unit.UNKNOWN
    grade: UnitGrade = UnitGrade.ASSUMED
    modulus: int = COUNTER32_MODULUS
    part: bool = False


@dataclass(frozen=True, slots=True)
class Sight:
    """All that one answer showed, without its times: equal sights merge into a plateau.

    ``counts`` is sorted by channel name; ``counters`` are all that the printer offers, these among them, sorted by
    object. ``serial`` and ``object_id`` are empty where the agent gave none:
    an empty identity proves nothing and contradicts nothing. ``description`` is sysDescr, in which makers name model
    and firmware: it tells who is alike, never who is another. ``responder`` is the address and port that answered: part
    of the record, not of the identity.
    """

    counts: tuple[tuple[str, Count], ...]
    serial: str = ""
    object_id: str = ""
    state: PrinterState = PrinterState.ABSENT
    errors: tuple[str, ...] = ()
    responder: str = ""
    counters: tuple[Counter, ...] = ()
    description: str = ""

    def count(self, channel: str) -> Count | None:
        for name, count in self.counts:
            if name == channel:
                return count
        return None

    @property
    def channels(self) -> tuple[str, ...]:
        return tuple([name for name, _ in self.counts])

    @property
    def stopped(self) -> bool:
        return not STOPPING_ERRORS.isdisjoint(self.errors)

    @property
    def resting(self) -> bool:
        """Nothing moves and nothing holds it up. A sleeper says ``other``: it rests too."""
        return self.state not in {PrinterState.PRINTING, PrinterState.WARMUP} and not self.stopped


@dataclass(frozen=True, slots=True)
class Reading:
    """One good answer. The value was true at some instant in [sent_us, received_us].

    ``uptime_cs`` is sysUpTime in hundredths of a second modulo 2^32, ``power_on`` prtMarkerPowerOnCount of the
    first channel; both only witness restarts.
    """

    sent_us: int
    received_us: int
    sight: Sight
    uptime_cs: int | None = None
    power_on: int | None = None


GatewayWord = Literal["", "answers", "down"]
"""What the check of a printer's gateway said when a read brought nothing; empty without one, or where it said nothing.
"""


@dataclass(frozen=True, slots=True)
class Failure:
    """One read that brought nothing. ``detail`` is for people; ``responder`` the address that answered, if any."""

    sent_us: int
    received_us: int
    reason: SilenceReason
    detail: str = ""
    responder: str = ""
    gateway: GatewayWord = ""


@dataclass(frozen=True, slots=True)
class Plateau:
    """A run of readings with the same sight and no restart between them.

    The first was asked for at ``first_sent_us`` and answered at ``first_received_us``, the last likewise. As a meter
    only goes up, the count did not move from ``first_received_us`` to ``last_sent_us``.
    """

    first_sent_us: int
    first_received_us: int
    last_sent_us: int
    last_received_us: int
    count: int
    sight: Sight = field(hash=False)
    first_uptime_cs: int | None = None
    last_uptime_cs: int | None = None
    first_power_on: int | None = None
    last_power_on: int | None = None

    @classmethod
    def of(cls, reading: Reading) -> Plateau:
        return cls(
            first_sent_us=reading.sent_us,
            first_received_us=reading.received_us,
            last_sent_us=reading.sent_us,
            last_received_us=reading.received_us,
            count=1,
            sight=reading.sight,
            first_uptime_cs=reading.uptime_cs,
            last_uptime_cs=reading.uptime_cs,
            first_power_on=reading.power_on,
            last_power_on=reading.power_on,
        )

    def grown(self, reading: Reading) -> Plateau:
        """This plateau with one more equal reading at its end."""
        return replace(
            self,
            last_sent_us=reading.sent_us,
            last_received_us=reading.received_us,
            count=self.count + 1,
            last_uptime_cs=reading.uptime_cs,
            last_power_on=reading.power_on,
        )


@dataclass(frozen=True, slots=True)
class Silence:
    """A run of failed reads with the same reason and the same of the gateway: when the first was sent and the last
    given up.
    """

    first_sent_us: int
    last_received_us: int
    count: int
    reason: SilenceReason
    detail: str = ""
    responder: str = ""
    gateway: GatewayWord = ""

    @classmethod
    def of(cls, failure: Failure) -> Silence:
        return cls(
            first_sent_us=failure.sent_us,
            last_received_us=failure.received_us,
            count=1,
            reason=failure.reason,
            detail=failure.detail,
            responder=failure.responder,
            gateway=failure.gateway,
        )

    def grown(self, failure: Failure) -> Silence:
        return replace(self, last_received_us=failure.received_us, count=self.count + 1)
