"""A new password, as it is asked for: never from a command line, which everybody on the machine can read."""

from __future__ import annotations

import getpass
import sys
from typing import Final

from pagereeve.app.credential_changes import BadCredential

# More than any password may have, in UTF-8: the line's end is looked for no further.
LINE_MAX_BYTES: Final = 4_096


def asked_password(name: str) -> str:
    """Twice at a terminal, which does not show it; else a line of standard input. Raises BadCredential."""
    if not sys.stdin.isatty():
        return _line()
    chosen = getpass.getpass(f"Password of {name}: ", sys.stderr)
    if getpass.getpass("Once more: ", sys.stderr) != chosen:
        raise BadCredential("the two are not the same; nothing was added")
    return chosen


def _line() -> str:
    raw = sys.stdin.buffer.readline(LINE_MAX_BYTES)
    try:
        return raw.decode().removesuffix("\n").removesuffix("\r")
    except UnicodeDecodeError:
        # The decoder's own message quotes bytes of it.
        raise BadCredential("what standard input holds is not UTF-8; send the password as plain text") from None
