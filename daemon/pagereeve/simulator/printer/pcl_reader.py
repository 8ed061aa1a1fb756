"""Pages, copies and sides of a PCL 5 document: its commands, the text between them, and binary data passed over.

Command syntax (PCL 5 Printer Language Technical Reference Manual, chapter 2; from memory): ESC and one character; or
ESC, a parameterized character, a group character, and values with their parameter characters, the last one a capital.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

_ESC: Final = b"\x1b"
_VALUE: Final = rb"[-+]?[0-9]{0,9}(?:\.[0-9]{0,9})?"
_COMMAND: Final = re.compile(rb"\x1b(?:([!-/][`-~]?)((?:" + _VALUE + rb"[`-~])*" + _VALUE + rb"[@-^])|([0-~]))")
_PARAMETER: Final = re.compile(rb"([-+]?[0-9]*)[0-9.]*([@-~])")
# Commands whose value says how many octets of data follow: raster rows and planes, fonts, patterns, transparent text.
_WITH_DATA: Final = frozenset({b"*bW", b"*bV", b"*vW", b"*cW", b"*gW", b"(sW", b")sW", b"(fW", b"&nW", b"&bW", b"&pX"})
_MARKS: Final = frozenset({b"*bW", b"*bV", b"&pX"})


@dataclass(slots=True)
class PclPages:
    """What was read so far; ``marked`` if the page that is open shows anything."""

    pages: int = 0
    copies: int = 1
    two_sided: bool = False
    marked: bool = False

    def text(self, text: bytes) -> None:
        """A form feed ends a page, marked or not."""
        *_, rest = ended = text.split(b"\f")
        if len(ended) > 1:
            self.pages += len(ended) - 1
            self.marked = False
        self.marked = self.marked or bool(rest.strip())

    def close(self) -> None:
        """A reset, another side and the end print a page only if it shows anything."""
        self.pages += self.marked
        self.marked = False

    def command(self, name: bytes, value: int) -> int:
        """Obeys one command (``&lX`` sets copies; combined ones come apart). Returns the octets of data behind it."""
        match name:
            case b"E" | b"&aG" | b"%X":
                self.close()
            case b"&lX":
                self.copies = value
            case b"&lS":
                self.two_sided = value in (1, 2)
        if name in _MARKS and value > 0:
            self.marked = True
        return max(value, 0) if name in _WITH_DATA else 0


def pages_in(data: bytes) -> PclPages:
    """Reads all of it; a command that has no end is passed over."""
    read, at = PclPages(), 0
    while (escape := data.find(_ESC, at)) >= 0:
        read.text(data[at:escape])
        at = escape + 1
        if match := _COMMAND.match(data, escape):
            at = match.end() + _obeyed(read, match)
    read.text(data[at:])
    read.close()
    return read


def _obeyed(read: PclPages, match: re.Match[bytes]) -> int:
    if match[3]:
        return read.command(match[3], 0)
    octets = 0
    for value, parameter in _PARAMETER.findall(match[2]):
        number = int(value) if value.strip(b"+-") else 0
        octets = read.command(match[1] + parameter.upper(), number)
    return octets
