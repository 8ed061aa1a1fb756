"""The objects that are read, and the channels as data (RFC 3805 section 6, RFC 2790 section 4, RFC 3418 section 2)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

from pagereeve.domain.facts.reading import Unit
from pagereeve.meters.discovery.channels import PinnedChannel, Term
from pagereeve.meters.discovery.layout import laid_out
from pagereeve.meters.snmp.ber import oid_bytes
from pagereeve.meters.snmp.limits import NAMES_MAX
from pagereeve.meters.snmp.names import SYS_UP_TIME, Index

SYS_OBJECT_ID: Final = oid_bytes("1.3.6.1.2.1.1.2.0")

# The root of RFC 3805: whoever knows anything below it is a printer's agent.
PRINTER_MIB: Final = oid_bytes("1.3.6.1.2.1.43")

# Columns: a row's index follows.
HR_DEVICE_TYPE: Final = oid_bytes("1.3.6.1.2.1.25.3.2.1.2")
HR_PRINTER_STATUS: Final = oid_bytes("1.3.6.1.2.1.25.3.5.1.1")
HR_PRINTER_ERRORS: Final = oid_bytes("1.3.6.1.2.1.25.3.5.1.2")
GENERAL_CONFIG_CHANGES: Final = oid_bytes("1.3.6.1.2.1.43.5.1.1.1")
GENERAL_SERIAL: Final = oid_bytes("1.3.6.1.2.1.43.5.1.1.17")
MARKER_UNIT: Final = oid_bytes("1.3.6.1.2.1.43.10.2.1.3")
MARKER_LIFE_COUNT: Final = oid_bytes("1.3.6.1.2.1.43.10.2.1.4")
MARKER_POWER_ON_COUNT: Final = oid_bytes("1.3.6.1.2.1.43.10.2.1.5")

SYS_DESCR: Final = oid_bytes("1.3.6.1.2.1.1.1.0")
HR_DEVICE_DESCR: Final = oid_bytes("1.3.6.1.2.1.25.3.2.1.3")

HR_DEVICE_PRINTER: Final = "1.3.6.1.2.1.25.3.1.5"

# PrtMarkerCounterUnitTC: only these two can be compared with what was released.
USABLE_UNITS: Final = {7: Unit.IMPRESSIONS, 8: Unit.SHEETS}
UNIT_NAMES: Final = {
    3: "tenThousandthsOfInches",
    4: "micrometers",
    5: "characters",
    6: "lines",
    7: "impressions",
    8: "sheets",
    9: "dotRow",
    11: "hours",
    16: "feet",
    17: "meters",
}


@dataclass(frozen=True, slots=True)
class Pins:
    """The instances found at one printer. ``names`` are all of them in the order in which they are asked for.

    Identity and counts come first, so that an agent which takes only a few names gives them in one answer; ``requests``
    are the names of each request. ``channels`` are billed, ``witnesses`` are counted beside them. ``parted`` are sums
    that no one answer can hold: they are not made. ``description`` is sysDescr as the survey found it: it is not asked
    for again, since a new firmware restarts the agent. ``growing`` are table columns whose rows are added up: a row
    that comes later belongs to the sum too.
    """

    device: int
    row: Index
    channels: tuple[PinnedChannel, ...]
    serial: bytes
    status: bytes
    errors: bytes
    power_on: bytes
    names: tuple[bytes, ...]
    requests: tuple[tuple[bytes, ...], ...]
    witnesses: tuple[PinnedChannel, ...] = ()
    parted: tuple[PinnedChannel, ...] = ()
    profile: str = ""
    growing: frozenset[bytes] = frozenset()
    description: str = ""

    @property
    def printer_names(self) -> tuple[bytes, ...]:
        """The names that only a printer's agent knows."""
        counts = [term.name for channel in self.channels for term in channel.terms]
        return (self.serial, self.status, self.errors, self.power_on, *counts)

    @property
    def parts(self) -> int:
        """How many objects are added up or billed."""
        return sum(len(channel.terms) for channel in self.channels)

    def within(self, room: int) -> Pins:
        """The same for an agent that takes ``room`` names at once."""
        pins = pins_of(
            self.device,
            self.row,
            self.channels,
            witnesses=self.witnesses,
            room=room,
            profile=self.profile,
            growing=self.growing,
        )
        return replace(pins, description=self.description)


def instance(column: bytes, *index: int) -> bytes:
    """The instance of a column at an index."""
    return column + b"".join(_arc(part) for part in index)


def _arc(part: int) -> bytes:
    # The second octet on of 1.3.(part) is the arc alone.
    return oid_bytes(f"1.3.{part}")[1:]


def life_count(row: Index) -> PinnedChannel:
    """PrtMarkerLifeCount of a marker's row, in the unit that the same row says (RFC 3805 section 6)."""
    return PinnedChannel(
        "total",
        (Term(instance(MARKER_LIFE_COUNT, *row)),),
        instance(MARKER_UNIT, *row),
        why="the standard's count of a printer's life",
    )


def pins_of(
    device: int,
    row: Index,
    channels: Sequence[PinnedChannel],
    *,
    witnesses: Sequence[PinnedChannel] = (),
    room: int = NAMES_MAX,
    profile: str = "",
    growing: frozenset[bytes] = frozenset(),
) -> Pins:
    """Pins of a printer's device index, its marker's row (for the power-on count), its channels and their witnesses.

    ``room`` is how many names the agent takes at once.
    """
    return _pins_of(device, row, tuple(channels), tuple(witnesses), room, profile, growing)


@lru_cache(maxsize=256)
def _pins_of(
    device: int,
    row: Index,
    channels: tuple[PinnedChannel, ...],
    witnesses: tuple[PinnedChannel, ...],
    room: int,
    profile: str,
    growing: frozenset[bytes],
) -> Pins:
    """Printers of one model have the same, and share all names."""
    serial = instance(GENERAL_SERIAL, device)
    status = instance(HR_PRINTER_STATUS, device)
    errors = instance(HR_PRINTER_ERRORS, device)
    power_on = instance(MARKER_POWER_ON_COUNT, *row)
    head, tail = (SYS_UP_TIME, SYS_OBJECT_ID, serial), (status, errors, power_on)
    layout = laid_out(head, channels, tail, witnesses, room)
    return Pins(
        device,
        row,
        tuple(layout.channels),
        serial,
        status,
        errors,
        power_on,
        layout.names(),
        layout.requests(),
        tuple(layout.witnesses),
        tuple(layout.parted),
        profile,
        growing,
    )
