"""The places of a printer's standard objects: its device index and its marker, found by walking.

Neither index is assumed to be 1 (fusioninventory/fusioninventory-agent#658), and an agent that can't be walked may
still answer a direct GET (librenms/librenms#4767).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from pagereeve.meters.discovery.objects import (
    GENERAL_CONFIG_CHANGES,
    HR_DEVICE_PRINTER,
    HR_DEVICE_TYPE,
    MARKER_LIFE_COUNT,
    PRINTER_MIB,
    instance,
)
from pagereeve.meters.snmp.ber import OBJECT_ID, oid_label
from pagereeve.meters.snmp.conversation import Conversation
from pagereeve.meters.snmp.names import Index
from pagereeve.meters.snmp.walking import Walk, follows

# How many rows of each column are looked at: a gateway's own agent may list all its disks and interfaces.
ROWS_MAX: Final = {HR_DEVICE_TYPE: 128, GENERAL_CONFIG_CHANGES: 16, MARKER_LIFE_COUNT: 16}
LIKELY_DEVICES: Final = (1, 0)
LIKELY_MARKERS: Final = (1, 0)
GUESSES_MAX = 12


@dataclass(slots=True)
class FoundRows:
    """What the walk found: printers of hrDeviceType, rows of prtGeneral, and rows of prtMarkerLifeCount.

    A marker's row is (device, marker); some agents end their tables in one index.
    """

    printers: list[int] = field(default_factory=list)
    general: list[int] = field(default_factory=list)
    markers: list[Index] = field(default_factory=list)

    @property
    def devices(self) -> list[int]:
        """Candidates for the device index, the best attested first."""
        both = [device for device in self.printers if device in self.general]
        return list(dict.fromkeys((*both, *self.printers, *self.general)))

    def markers_of(self, device: int) -> list[Index]:
        """A device's marker rows, which are never added up (docs.cpp.canon M124813, prtMarkerGroup).

        Where the agent knows one device and indexes its markers by none that it knows, they are that device's: some
        number it 0 in one table and 1 in another.
        """
        own = [row for row in self.markers if row[0] == device]
        strange = len(self.devices) == 1 and not any(row[0] in self.devices for row in self.markers)
        return self.markers if strange and device in self.devices else own

    def known(self) -> list[int]:
        """All device indexes of printers, those of markers alone among them."""
        ours = [row for device in self.devices for row in self.markers_of(device)]
        return list(dict.fromkeys((*self.devices, *(row[0] for row in self.markers if row not in ours))))

    def first(self) -> int:
        """The device to read where nobody says which: the best attested that has a marker."""
        known = self.devices
        marked = [device for device in known if self.markers_of(device)]
        return next(iter((*marked, *(row[0] for row in self.markers), *known)), 1)


async def find_rows(conversation: Conversation) -> FoundRows:
    """The rows of the standard tables. Raises ReadEnded where nothing answers."""
    walk = Walk(ROWS_MAX)
    rows = FoundRows()
    while not walk.done and not _settled(walk, rows):
        await walk.step(conversation)
        rows = _rows_of(walk)
    if not rows.markers and (guessed := await _guess(conversation, rows)) is not None:
        rows.markers.append(guessed)
    return rows


async def something_of_printer_mib(conversation: Conversation) -> str:
    """The first object that the agent knows below the root of RFC 3805; empty for none."""
    (below,) = await conversation.get_next([PRINTER_MIB])
    return oid_label(below.oid) if below is not None and follows(PRINTER_MIB, PRINTER_MIB, below) else ""


def _settled(walk: Walk, rows: FoundRows) -> bool:
    """Whether further walking can't change the choice: all markers are there, and each device's among the printers.

    A print server's further rows of hrDeviceType may be many, and none of a printer.
    """
    if walk.runs(MARKER_LIFE_COUNT) or walk.runs(GENERAL_CONFIG_CHANGES):
        return False
    return bool(rows.markers) and all(row[0] in rows.printers for row in rows.markers)


def _rows_of(walk: Walk) -> FoundRows:
    types = walk.found[HR_DEVICE_TYPE].items()
    printers = [
        index[0]
        for index, varbind in types
        if len(index) == 1 and varbind.tag == OBJECT_ID and oid_label(varbind.content) == HR_DEVICE_PRINTER
    ]
    general = [index[0] for index in walk.found[GENERAL_CONFIG_CHANGES] if len(index) == 1]
    markers = [index for index in walk.found[MARKER_LIFE_COUNT] if len(index) in {1, 2}]
    return FoundRows(printers, general, markers)


async def _guess(conversation: Conversation, rows: FoundRows) -> Index | None:
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
