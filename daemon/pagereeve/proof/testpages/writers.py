"""Pages of plain lines as text, with or without PJL, as PostScript and as PCL.

Who judges them (tests/integration): Ghostscript reads the PostScript. Nothing in Debian reads PCL or PJL; Ghostscript
writes PCL, and its commands for reset, copies, sides and page ends are compared with these. PJL's settings, and how
text looks in PCL, are judged by nothing: writer, simulated printer and tests rest on one memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

Lines = Sequence[str]
ESC: Final = "\x1b"
FORM_FEED: Final = "\f"
# Universal Exit Language: begins and ends PJL (PJL Technical Reference; from memory).
UEL: Final = f"{ESC}%-12345X"


def plain_text(pages: Sequence[Lines]) -> bytes:
    """Lines, and a form feed behind every page."""
    return "".join("\r\n".join(["", *page, FORM_FEED]) for page in pages).encode("ascii")


def pjl_text(pages: Sequence[Lines], copies: int, *, two_sided: bool) -> bytes:
    """Plain text behind a PJL header that asks for sides and copies; a printer without PJL prints the header as text.

    PJL Technical Reference, SET DUPLEX, SET BINDING, SET COPIES, ENTER LANGUAGE (from memory). A driver that sends the
    same DUPLEX and BINDING: OpenPrinting/splix, src/printer.cpp.
    """
    sides = ("SET DUPLEX=ON", "SET BINDING=LONGEDGE") if two_sided else ("SET DUPLEX=OFF",)
    commands = ("COMMENT Pagereeve test page", *sides, f"SET COPIES={copies}", "ENTER LANGUAGE=PCL")
    header = "".join(f"@PJL {command}\r\n" for command in commands)
    return f"{UEL}{header}".encode("ascii") + plain_text(pages) + UEL.encode("ascii")


def postscript(pages: Sequence[Lines], copies: int, *, two_sided: bool) -> bytes:
    """PostScript language level 2. A printer that knows no duplex or copies ignores the request and prints on.

    PostScript Language Reference, third edition, section 6.2.3 (setpagedevice; from memory).
    """
    duplex = "true" if two_sided else "false"
    head = [
        "%!PS-Adobe-3.0",
        "%%Title: Pagereeve test page",
        "%%LanguageLevel: 2",
        f"%%Pages: {len(pages)}",
        "%%EndComments",
        "%%BeginSetup",
        f"mark {{ << /Duplex {duplex} /Tumble false >> setpagedevice }} stopped cleartomark",
        f"mark {{ << /NumCopies {copies} >> setpagedevice }} stopped cleartomark",
        "%%EndSetup",
    ]
    for number, page in enumerate(pages, 1):
        head += [f"%%Page: {number} {number}", "/Helvetica findfont 18 scalefont setfont"]
        head += [f"72 {740 - 28 * row} moveto ({_escaped(line)}) show" for row, line in enumerate(page)]
        head.append("showpage")
    return ("\n".join([*head, "%%EOF"]) + "\n").encode("ascii")


def _escaped(line: str) -> str:
    """A string of PostScript: the backslash first, then the parentheses (section 3.2.2; from memory)."""
    return line.replace("\\", "\\\\").replace("(", "\\(").replace(")", "\\)")


def pcl(pages: Sequence[Lines], copies: int, *, two_sided: bool) -> bytes:
    """PCL 5: reset, number of copies, simplex or long-edge duplex, lines, form feeds.

    PCL 5 Printer Language Technical Reference Manual, chapters 2 and 4 (from memory); the device ljet4d of Ghostscript
    writes the same commands.
    """
    setup = f"{ESC}E{ESC}&l{copies}X{ESC}&l{1 if two_sided else 0}S"
    # What a line says must not be read as a command.
    body = FORM_FEED.join("\r\n".join(["", *page]) for page in pages)
    return f"{setup}{body}{FORM_FEED}{ESC}E".encode("ascii")
