"""What kind of device answers: by typed objects of its agent, never by what its texts say.

A print server, or a printer's network card that keeps the counters to itself, is no box in the middle: asking another
port brings nothing there.
"""

from __future__ import annotations

from typing import Final

from pagereeve.ports.inspection import ResponderKind

# Subtrees in which makers name printers and print servers, and nothing else as far as is known. Whose a number is says
# the list of IANA (Private Enterprise Numbers); of makers of other things too, only the subtree of their printers.
PRINTING: Final[dict[str, str]] = {
    "1.3.6.1.4.1.11.2.3.9": "HP printers and Jetdirect cards (HP-LASERJET-COMMON-MIB)",
    "1.3.6.1.4.1.236.11.5": "Samsung printers (SAMSUNG-PRINTER-EXT-MIB; recorded by librenms/librenms)",
    "1.3.6.1.4.1.253.8.62": "Xerox printers (recorded by librenms/librenms)",
    "1.3.6.1.4.1.297.1.11.93": "FUJIFILM Business Innovation printers (recorded by librenms/librenms)",
    "1.3.6.1.4.1.367.1": "Ricoh printers (recorded by librenms/librenms)",
    "1.3.6.1.4.1.641": "Lexmark",
    "1.3.6.1.4.1.674.10898": "Dell printers (recorded by librenms/librenms)",
    "1.3.6.1.4.1.683.6": "ZebraNet print servers (recorded by librenms/librenms)",
    "1.3.6.1.4.1.1129.2.3": "Toshiba TEC printers (recorded by librenms/librenms)",
    "1.3.6.1.4.1.1248.1": "Epson printers (recorded by librenms/librenms)",
    "1.3.6.1.4.1.1347": "Kyocera Document Solutions",
    "1.3.6.1.4.1.1602.4": "Canon printers (recorded by librenms/librenms)",
    "1.3.6.1.4.1.2001": "OKI Data",
    "1.3.6.1.4.1.2385.3.1": "Sharp printers (recorded by librenms/librenms)",
    "1.3.6.1.4.1.2435.2.3.9": "Brother printers and their cards (recorded by librenms/librenms)",
    "1.3.6.1.4.1.10642": "Zebra",
    "1.3.6.1.4.1.18334": "Konica Minolta Business Technologies",
    "1.3.6.1.4.1.40093": "Pantum",
}

ENTERPRISES: Final = "1.3.6.1.4.1."
# sysServices, RFC 3418 section 2: 2^(layer - 1) for each layer served; bridges serve the second, routers the third.
FORWARDING: Final = 0b110


def enterprise_of(object_id: str) -> int | None:
    """The enterprise number in a sysObjectID (RFC 2578 section 4); None for another or none."""
    number = object_id.removeprefix(ENTERPRISES).partition(".")[0]
    return int(number) if object_id.startswith(ENTERPRISES) and number.isdigit() else None


def prints(object_id: str) -> bool:
    """Whether its maker names printers and print servers so."""
    return any(f"{object_id}.".startswith(f"{subtree}.") for subtree in PRINTING)


def kind_of(object_id: str, services: int | None, *, printer_mib: bool, printer_device: bool) -> ResponderKind:
    """``printer_mib``: it has an object of RFC 3805; ``printer_device``: its hrDeviceTable (RFC 2790) has a printer."""
    if printer_mib:
        return ResponderKind.PRINTER
    if printer_device or prints(object_id):
        return ResponderKind.PRINT_SERVER
    if services is not None and services & FORWARDING:
        return ResponderKind.FORWARDER
    return ResponderKind.OTHER if object_id else ResponderKind.UNSAID
