"""What an agent says of itself, whether or not it has a meter: asked for where a read is looked into, never in a poll.

The first question comes before the search for counters, so that its answer is there wherever that ends; the others are
asked only where a read was refused.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.values.amounts import amount
from pagereeve.meters.discovery.objects import (
    GENERAL_SERIAL,
    HR_DEVICE_DESCR,
    HR_DEVICE_PRINTER,
    HR_DEVICE_TYPE,
    MARKER_LIFE_COUNT,
    PRINTER_MIB,
    SYS_DESCR,
    SYS_OBJECT_ID,
    instance,
)
from pagereeve.meters.discovery.responders import ENTERPRISES, enterprise_of, kind_of
from pagereeve.meters.discovery.text import printable
from pagereeve.meters.snmp.ber import (
    INTEGER,
    OBJECT_ID,
    OCTET_STRING,
    DecodeError,
    Varbind,
    number,
    object_id,
    oid_bytes,
    oid_label,
)
from pagereeve.meters.snmp.conversation import Conversation
from pagereeve.meters.snmp.question import ReadEnded
from pagereeve.meters.snmp.walking import Walk, follows
from pagereeve.ports.inspection import Asked, PrinterIdentity, ResponderKind

SYS_SERVICES: Final = oid_bytes("1.3.6.1.2.1.1.7.0")
# PWG 5106.3 (icMIB): counters of a printer's services.
IMAGING_COUNTERS: Final = oid_bytes("1.3.6.1.4.1.2699.1.3")
DEVICES_MAX: Final = 64
ANSWER_CHARS_MAX: Final = 200

SCALARS: Final = {"sysDescr": SYS_DESCR, "sysObjectID": SYS_OBJECT_ID, "sysServices": SYS_SERVICES}
BELOW: Final = {
    "anything of the Printer-MIB": PRINTER_MIB,
    "prtMarkerLifeCount": MARKER_LIFE_COUNT,
    "prtGeneralSerialNumber": GENERAL_SERIAL,
    "imaging counters (PWG 5106.3)": IMAGING_COUNTERS,
}


@dataclass(slots=True)
class Introduction:
    """What has been asked so far, and what of it was answered. ``kind`` is decided by what is there."""

    asked: list[Asked] = field(default_factory=list)
    identity: PrinterIdentity = field(default_factory=PrinterIdentity)
    kind: ResponderKind = ResponderKind.NOBODY
    _services: int | None = None

    async def begin(self, conversation: Conversation) -> None:
        """The system group. Raises ReadEnded where nobody answers."""
        values = (await conversation.get(list(SCALARS.values()))).values
        self.asked += [Asked(name, oid_label(oid), _shown(values.get(oid))) for name, oid in SCALARS.items()]
        description, identity, services = (values.get(oid) for oid in SCALARS.values())
        shown = _shown(services)
        self._services = int(shown) if services is not None and services.tag == INTEGER and shown.isdigit() else None
        self.identity = PrinterIdentity(
            object_id=_shown(identity) if identity is not None and identity.tag == OBJECT_ID else "",
            description=_text(description),
        )
        self._judge(printer_mib=False, printer_device=False)

    async def go_on(self, conversation: Conversation) -> None:
        """Devices, and whether there is anything of the tables that counters stand in. Ends where answers end."""
        try:
            devices = await Walk({HR_DEVICE_TYPE: DEVICES_MAX}).finish(conversation)
            types = devices.found[HR_DEVICE_TYPE]
            printers = [index for index, one in types.items() if _shown(one) == HR_DEVICE_PRINTER]
            model = await self._model(conversation, printers[0]) if printers else ""
            self.asked.append(_devices(len(types), printers, model))
            self.identity = PrinterIdentity(
                object_id=self.identity.object_id, model=model, description=self.identity.description
            )
            self._judge(printer_mib=False, printer_device=bool(printers))
            await self._tables(conversation, printer_device=bool(printers))
        except (ReadEnded, DecodeError) as ended:
            self.asked.append(Asked("the rest", "", f"not answered: {ended}"))

    async def _tables(self, conversation: Conversation, *, printer_device: bool) -> None:
        roots = dict(BELOW)
        maker = enterprise_of(self.identity.object_id)
        if maker is not None:
            roots[f"the maker's own objects (enterprise {maker})"] = oid_bytes(f"{ENTERPRISES}{maker}")
        found = {}
        for name, root in roots.items():
            (below,) = await conversation.get_next([root])
            there = below is not None and follows(root, root, below)
            found[root] = below if there else None
            answer = f"{oid_label(below.oid)} = {_shown(below)}" if below is not None and there else ""
            self.asked.append(Asked(name, oid_label(root), answer))
        serial = found[GENERAL_SERIAL]
        said = self.identity
        self.identity = PrinterIdentity(_text(serial), said.object_id, said.model, said.description)
        self._judge(printer_mib=found[PRINTER_MIB] is not None, printer_device=printer_device)

    async def _model(self, conversation: Conversation, index: tuple[int, ...]) -> str:
        name = instance(HR_DEVICE_DESCR, *index)
        return _text((await conversation.get([name])).values.get(name))

    def _judge(self, *, printer_mib: bool, printer_device: bool) -> None:
        self.kind = kind_of(
            self.identity.object_id, self._services, printer_mib=printer_mib, printer_device=printer_device
        )


def _devices(rows: int, printers: list[tuple[int, ...]], model: str) -> Asked:
    name, column = "a printer in hrDeviceTable", oid_label(HR_DEVICE_TYPE)
    if not printers:
        return Asked(name, column, f"{amount(rows, 'device')}, no printer" if rows else "")
    return Asked(name, column, f"at index {'.'.join(map(str, printers[0]))}: {model or 'without a description'}")


def _shown(varbind: Varbind | None) -> str:
    """A value for a line; empty where there is none."""
    if varbind is None or varbind.absent:
        return ""
    try:
        if varbind.tag == OBJECT_ID:
            return object_id(varbind)
        if varbind.tag == OCTET_STRING:
            return printable(varbind.content)[:ANSWER_CHARS_MAX] or "an empty text"
        return str(number(varbind))
    except DecodeError as error:
        return str(error)


def _text(varbind: Varbind | None) -> str:
    return printable(varbind.content) if varbind is not None and varbind.tag == OCTET_STRING else ""
