"""A small IPP printer whose counters, state and identity a test sets: no peer that can be installed has them all.

It builds its answers by hand, octet by octet, with nothing of what it tests.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from struct import pack

INTEGER, ENUM, UNKNOWN, TEXT, KEYWORD, URI = 0x21, 0x23, 0x12, 0x41, 0x44, 0x45
UUID = "urn:uuid:01234567-89ab-4cde-8f01-23456789abcd"


def attribute(tag: int, name: str, value: bytes) -> bytes:
    return pack(">BH", tag, len(name)) + name.encode() + pack(">H", len(value)) + value


@dataclass(slots=True)
class IppPrinter:
    """``impressions``, ``sheets``, ``pages``: None is left out, -2 is answered as unknown."""

    impressions: int | None = 1_000
    sheets: int | None = 700
    pages: int | None = 900
    up_s: int = 50_000
    state: int = 3
    reasons: tuple[str, ...] = ("none",)
    uuid: str = UUID
    device_id: str = "MFG:Example;MDL:Laser 1;SN:EXAMPLE-0001;"
    asked: list[bytes] = field(default_factory=list)

    def __call__(self, path: bytes) -> tuple[int, bytes]:
        self.asked.append(path)
        return 200, self.answer()

    def answer(self) -> bytes:
        counters = (
            ("printer-impressions-completed", self.impressions),
            ("printer-media-sheets-completed", self.sheets),
            ("printer-pages-completed", self.pages),
        )
        parts = [bytes.fromhex("0200 0000 00000001 01"), attribute(0x47, "attributes-charset", b"utf-8"), b"\x04"]
        for name, value in counters:
            if value is not None:
                out_of_band = value == -2
                parts.append(
                    attribute(UNKNOWN if out_of_band else INTEGER, name, b"" if out_of_band else pack(">i", value))
                )
        parts.append(attribute(INTEGER, "printer-up-time", pack(">i", self.up_s)))
        parts.append(attribute(ENUM, "printer-state", pack(">i", self.state)))
        for place, reason in enumerate(self.reasons):
            parts.append(attribute(KEYWORD, "" if place else "printer-state-reasons", reason.encode()))
        parts.append(attribute(URI, "printer-uuid", self.uuid.encode()))
        parts.append(attribute(TEXT, "printer-device-id", self.device_id.encode()))
        parts.append(attribute(TEXT, "printer-make-and-model", b"Example Laser 1"))
        return b"".join([*parts, b"\x03"])
