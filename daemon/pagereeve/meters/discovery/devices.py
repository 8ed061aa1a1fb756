"""The printers behind one agent, told apart by their index or serial number: count, serial and state come from one."""

from __future__ import annotations

from typing import Final

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.meters.discovery.channels import names_of
from pagereeve.meters.discovery.objects import GENERAL_SERIAL, HR_DEVICE_DESCR, instance, life_count
from pagereeve.meters.discovery.serials import names_nobody
from pagereeve.meters.discovery.standard_objects import FoundRows
from pagereeve.meters.discovery.text import printable
from pagereeve.meters.discovery.units import unit_label
from pagereeve.meters.snmp.ber import OCTET_STRING, Varbind, number_or_none
from pagereeve.meters.snmp.conversation import Conversation
from pagereeve.meters.snmp.question import ReadEnded
from pagereeve.ports.inspection import DeviceFound, MarkerFound
from pagereeve.ports.meter import MeterTarget

DEVICES_MAX: Final = 16


async def pick_device(
    conversation: Conversation, rows: FoundRows, target: MeterTarget
) -> tuple[tuple[DeviceFound, ...], int]:
    """The agent's printers where it has several, and the one to read: the entry's device, else that of its serial
    number, else the first that has a marker. Raises ReadEnded where the entry names a device that is not there.
    """
    first = rows.first()
    known = rows.known()
    devices: tuple[DeviceFound, ...] = ()
    if len(known) > 1:
        devices = tuple([await _look(conversation, rows, device) for device in known[:DEVICES_MAX]])
    if target.device is not None:
        if target.device not in known:
            there = ", ".join(map(str, known)) or "none"
            text = f"{conversation.responder} has no printer at device index {target.device}; there is {there}"
            raise ReadEnded(SilenceReason.NO_METER, text, conversation.responder)
        return devices, target.device
    if target.serial and not names_nobody(target.serial):
        return devices, next((one.index for one in devices if one.serial == target.serial), first)
    return devices, first


async def _look(conversation: Conversation, rows: FoundRows, device: int) -> DeviceFound:
    markers = rows.markers_of(device)
    counts = [life_count(row) for row in markers]
    serial, model = instance(GENERAL_SERIAL, device), instance(HR_DEVICE_DESCR, device)
    values = (await conversation.get([serial, model, *names_of(counts)])).values
    seen = tuple(
        MarkerFound(".".join(map(str, row)), number_or_none(values.get(count.terms[0].name)), unit_label(count, values))
        for row, count in zip(markers, counts, strict=True)
    )
    return DeviceFound(device, _text(values.get(serial)), _text(values.get(model)), seen)


def _text(varbind: Varbind | None) -> str:
    return printable(varbind.content) if varbind is not None and varbind.tag == OCTET_STRING else ""
