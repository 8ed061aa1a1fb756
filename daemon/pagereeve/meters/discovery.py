"""Where a printer's meter stands: its device index, its marker, found once by walking and then pinned.

Neither index is assumed to be 1 (FIELD-CASES 1.9), and an agent that can't be walked may still answer a direct GET
(FIELD-CASES 1.10).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.reading import SilenceReason
from pagereeve.meters.ber import OBJECT_ID, DecodeError, Varbind, object_id, oid_arcs, oid_label
from pagereeve.meters.conversation import Conversation, ReadEnded
from pagereeve.meters.objects import (
    GENERAL_CONFIG_CHANGES,
    HR_DEVICE_PRINTER,
    HR_DEVICE_TYPE,
    MARKER_LIFE_COUNT,
    PRINTER_MIB,
    SYS_OBJECT_ID,
    Pins,
    instance,
    pins_of,
)

# How many rows of each column are looked at: a gateway's own agent may list all its disks and interfaces.
ROWS_MAX: Final = {HR_DEVICE_TYPE: 128, GENERAL_CONFIG_CHANGES: 16, MARKER_LIFE_COUNT: 16}
LIKELY_DEVICES: Final = (1, 0)
LIKELY_MARKERS: Final = (1, 0)
GUESSES_MAX = 12


@dataclass(slots=True)
class Rows:
    """What the walk found: printers of hrDeviceType, rows of prtGeneral, and (device, marker) of prtMarkerLifeCount."""

    printers: list[int] = field(default_factory=list)
    general: list[int] = field(default_factory=list)
    markers: list[tuple[int, int]] = field(default_factory=list)

    @property
    def settled(self) -> bool:
        """Whether further walking can't change the choice."""
        return bool(self.markers) and self.markers[0][0] in self.printers

    @property
    def devices(self) -> list[int]:
        """Candidates for the device index, the best attested first."""
        both = [device for device in self.printers if device in self.general]
        return list(dict.fromkeys((*both, *self.printers, *self.general)))

    def marker(self) -> tuple[int, int] | None:
        """The first marker row of the best candidate. Rows are never added up (FIELD-CASES 1.8)."""
        for device in self.devices:
            for row in self.markers:
                if row[0] == device:
                    return row
        return self.markers[0] if self.markers else None


async def discover(conversation: Conversation) -> Pins:
    """Find the meter. Raises ReadEnded: WRONG_RESPONDER without a Printer-MIB, NO_METER without a life count."""
    rows = await _walk(conversation)
    marker = rows.marker() or await _guess(conversation, rows)
    if marker is not None:
        return pins_of(*marker)
    responder = conversation.responder
    if rows.devices:
        text = f"{responder} has a printer at device index {rows.devices[0]}, but no prtMarkerLifeCount"
        raise ReadEnded(SilenceReason.NO_METER, text, responder)
    (below,) = await conversation.get_next([PRINTER_MIB])
    if below is not None and _follows(PRINTER_MIB, PRINTER_MIB, below):
        text = f"{responder} has a Printer-MIB ({oid_label(below.oid)}), but no prtMarkerLifeCount"
        raise ReadEnded(SilenceReason.NO_METER, text, responder)
    seen = await _object_id(conversation)
    raise ReadEnded(SilenceReason.WRONG_RESPONDER, wrong_responder(responder, seen), responder)


def wrong_responder(responder: str, seen: str) -> str:
    return (
        f"{responder} answers SNMP but has no Printer-MIB (its sysObjectID is {seen or 'absent'}): "
        "a box in the middle may be answering for itself; check the port forward"
    )


async def _walk(conversation: Conversation) -> Rows:
    rows = Rows()
    cursors = {column: column for column in ROWS_MAX}
    steps = 0
    while cursors and not rows.settled:
        columns = list(cursors)
        found = await conversation.get_next([cursors[column] for column in columns])
        steps += 1
        for column, varbind in zip(columns, found, strict=True):
            if varbind is None or not _follows(column, cursors[column], varbind) or steps > ROWS_MAX[column]:
                del cursors[column]
            else:
                cursors[column] = varbind.oid
                _note(rows, column, varbind)
    return rows


def _follows(column: bytes, cursor: bytes, varbind: Varbind) -> bool:
    """Whether the walk goes on: still in the column, and further on than before (an agent may run in circles)."""
    if varbind.absent or not varbind.oid.startswith(column):
        return False
    try:
        return oid_arcs(varbind.oid) > oid_arcs(cursor)
    except DecodeError:
        return False


def _note(rows: Rows, column: bytes, varbind: Varbind) -> None:
    index = oid_arcs(varbind.oid)[len(oid_arcs(column)) :]
    if column == HR_DEVICE_TYPE and len(index) == 1:
        if varbind.tag == OBJECT_ID and oid_label(varbind.content) == HR_DEVICE_PRINTER:
            rows.printers.append(index[0])
    elif column == GENERAL_CONFIG_CHANGES and len(index) == 1:
        rows.general.append(index[0])
    elif column == MARKER_LIFE_COUNT and len(index) == 2:
        rows.markers.append((index[0], index[1]))


async def _guess(conversation: Conversation, rows: Rows) -> tuple[int, int] | None:
    """Ask for likely instances by name: some agents answer GET but can't be walked."""
    devices = list(dict.fromkeys((*rows.devices[:4], *LIKELY_DEVICES)))
    likely = [(device, marker) for device in devices for marker in LIKELY_MARKERS][:GUESSES_MAX]
    names = {instance(MARKER_LIFE_COUNT, *row): row for row in likely}
    got = await conversation.get(list(names))
    for name, row in names.items():
        value = got.values.get(name)
        if value is not None and not value.absent:
            return row
    return None


async def _object_id(conversation: Conversation) -> str:
    value = (await conversation.get([SYS_OBJECT_ID])).values.get(SYS_OBJECT_ID)
    if value is None or value.absent:
        return ""
    try:
        return object_id(value)
    except DecodeError:
        return ""
