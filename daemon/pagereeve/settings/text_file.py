"""A file's text: bounded, UTF-8, with a place for what is wrong."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from pagereeve.settings.errors import BadSettings, Problem

FILE_MAX_BYTES: Final = 64 * 2**20
PROBLEMS_MAX: Final = 50


def text_of(path: Path, hint: str) -> str:
    """The file's text. Raises BadSettings; ``hint`` says what to do about a file that can't be read."""
    try:
        with path.open("rb") as file:
            raw = file.read(FILE_MAX_BYTES + 1)
    except OSError as error:
        raise BadSettings(str(path), [Problem("", f"can't be read ({error.strerror}); {hint}")]) from error
    if len(raw) > FILE_MAX_BYTES:
        raise BadSettings(str(path), [Problem("", f"is larger than {FILE_MAX_BYTES} bytes")])
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        # The decoder's own message quotes bytes of the file.
        raise BadSettings(str(path), [Problem(f"line {line}", "is not UTF-8; save the file as UTF-8")]) from None
