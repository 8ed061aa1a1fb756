"""Writing results: bytes and text to stdout or to a file that appears only when it is whole."""

from __future__ import annotations

import contextlib
import io
import json
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

from rich.console import Console, RenderableType
from rich.text import Text

PLAIN_WIDTH = 200


def lenient_output() -> None:
    """A terminal of another encoding gets escapes for what it can't show, not an error."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def give_up_output() -> None:
    """The reader of stdout has gone: what is still buffered goes nowhere, without a second error at exit."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)


def say(text: str) -> None:
    sys.stdout.write(text if text.endswith("\n") else f"{text}\n")


def say_json(body: Any) -> None:
    """Indented JSON in UTF-8, whatever the terminal's encoding."""
    say_bytes(json.dumps(body, indent=2, ensure_ascii=False).encode() + b"\n")


def say_bytes(raw: bytes) -> None:
    sys.stdout.flush()
    sys.stdout.buffer.write(raw)


def complain(text: str) -> None:
    sys.stderr.write(f"pagereeve: {text}\n")


def show(*parts: RenderableType) -> None:
    """Tables for people, and texts as they stand; off a terminal wide enough to cut nothing."""
    console = Console(highlight=False, width=None if sys.stdout.isatty() else PLAIN_WIDTH)
    for part in parts:
        # In a text brackets are brackets ([site]), and no markup.
        console.print(Text(part) if isinstance(part, str) else part)


@contextlib.contextmanager
def output_file(path: Path | None) -> Iterator[BinaryIO]:
    """stdout, or a file that appears under its name only when everything is written. Its owner alone may read it."""
    if path is None:
        sys.stdout.flush()
        yield sys.stdout.buffer
        return
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
