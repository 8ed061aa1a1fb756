"""What a simulated agent holds: rows of standard MIBs in OID order (RFC 3418, RFC 2790, RFC 3805)."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from pagereeve.simulator.printer.model import ShownState, error_octets

Oid = tuple[int, ...]
Kind = Literal["octets", "integer", "counter", "ticks", "oid", "address", "gauge", "counter64"]
Value = int | bytes | Oid

SYSTEM: Final[Oid] = (1, 3, 6, 1, 2, 1, 1)
HR: Final[Oid] = (1, 3, 6, 1, 2, 1, 25)
HR_DEVICE: Final[Oid] = (*HR, 3, 2, 1)
HR_PRINTER: Final[Oid] = (*HR, 3, 5, 1)
DEVICE_PRINTER: Final[Oid] = (*HR, 3, 1, 5)
DEVICE_NETWORK: Final[Oid] = (*HR, 3, 1, 4)
PRT_GENERAL: Final[Oid] = (1, 3, 6, 1, 2, 1, 43, 5, 1, 1)
PRT_MARKER: Final[Oid] = (1, 3, 6, 1, 2, 1, 43, 10, 2, 1)
LIFE_COUNT: Final[Oid] = (*PRT_MARKER, 4)


@dataclass(frozen=True, slots=True)
class Row:
    oid: Oid
    kind: Kind
    value: Value


class View:
    """One instant's rows, found by name or by what follows a name."""

    def __init__(self, rows: Iterable[Row]) -> None:
        self._rows = sorted(rows, key=lambda row: row.oid)
        self._names = [row.oid for row in self._rows]
        self._by_name = {row.oid: row for row in self._rows}

    def get(self, oid: Oid) -> Row | None:
        return self._by_name.get(oid)

    def after(self, oid: Oid) -> Row | None:
        """The first row behind ``oid`` in lexicographic order; None at the end."""
        place = bisect_right(self._names, oid)
        return self._rows[place] if place < len(self._rows) else None


def system_rows(description: str, object_id: Oid, uptime_cs: int, name: str) -> list[Row]:
    """The system group that every agent has (RFC 3418 section 2)."""
    return [
        Row((*SYSTEM, 1, 0), "octets", description.encode()),
        Row((*SYSTEM, 2, 0), "oid", object_id),
        Row((*SYSTEM, 3, 0), "ticks", uptime_cs),
        Row((*SYSTEM, 4, 0), "octets", b""),
        Row((*SYSTEM, 5, 0), "octets", name.encode()),
        Row((*SYSTEM, 6, 0), "octets", b""),
        Row((*SYSTEM, 7, 0), "integer", 72),
    ]


def printer_rows(shown: ShownState, name: str, device: int, marker: int) -> list[Row]:
    """A printer's agent. ``device`` is its hrDeviceIndex; where it isn't 1, a network interface has that place."""
    rows = system_rows(shown.description, shown.object_id, shown.uptime_cs, name)
    rows.append(Row((*HR, 1, 1, 0), "ticks", shown.uptime_cs))
    if device > 1:
        rows += _device_rows(1, DEVICE_NETWORK, b"Simulated network interface", 2)
    rows += _device_rows(device, DEVICE_PRINTER, shown.description.encode(), shown.device_status)
    rows += [
        Row((*HR_PRINTER, 1, device), "integer", shown.printer_status),
        Row((*HR_PRINTER, 2, device), "octets", error_octets(shown.errors)),
        Row((*PRT_GENERAL, 1, device), "counter", 3),
        Row((*PRT_GENERAL, 16, device), "octets", name.encode()),
        Row((*PRT_GENERAL, 17, device), "octets", shown.serial.encode()),
        Row((*PRT_MARKER, 2, device, marker), "integer", 4),
        Row((*LIFE_COUNT, device, marker), "counter", shown.life_count),
        Row((*PRT_MARKER, 5, device, marker), "counter", shown.power_on_count),
        Row((*PRT_MARKER, 6, device, marker), "integer", 1),
        Row((*PRT_MARKER, 7, device, marker), "integer", 0),
        Row((*PRT_MARKER, 15, device, marker), "integer", shown.marker_status),
    ]
    counts = [(marker, None)] if shown.still_count is None else [(marker, None), (marker + 1, shown.still_count)]
    for index, still_count in counts:
        if shown.unit_code is not None:
            rows.append(Row((*PRT_MARKER, 3, device, index), "integer", shown.unit_code))
        if still_count is not None:
            rows.append(Row((*LIFE_COUNT, device, index), "counter", still_count))
    return rows


def _device_rows(device: int, kind: Oid, description: bytes, status: int) -> list[Row]:
    return [
        Row((*HR_DEVICE, 1, device), "integer", device),
        Row((*HR_DEVICE, 2, device), "oid", kind),
        Row((*HR_DEVICE, 3, device), "octets", description),
        Row((*HR_DEVICE, 4, device), "oid", (0, 0)),
        Row((*HR_DEVICE, 5, device), "integer", status),
        Row((*HR_DEVICE, 6, device), "counter", 0),
    ]
