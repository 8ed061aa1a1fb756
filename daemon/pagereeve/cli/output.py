"""Writing results: bytes and text to stdout or to a file that appears only when it is whole."""

from __future__ import annotations

import contextlib
import errno
import io
import json
import os
import stat
import sys
import tempfile
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Any, BinaryIO

from rich.console import Console, RenderableType
from rich.text import Text

PLAIN_WIDTH = 200
# A name may have 255 octets (NAME_MAX of Linux), a letter four of them.
_PREFIX = 40
_FULL = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})


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
    """stdout, or a file that appears under its name only when everything is written. Its owner alone may read it.

    A link stays, what it names is replaced; a pipe or a device is written to as it is. Errors name ``path``.
    """
    if path is None:
        sys.stdout.flush()
        yield sys.stdout.buffer
    elif is_replaced(path):
        with _naming(path):
            target = path.resolve()
            handle, name = tempfile.mkstemp(prefix=f".{target.name[:_PREFIX]}.", dir=target.parent)
        with _replacing(path, target, handle, Path(name)) as file:
            yield file
    else:
        with _naming(path, _FULL), path.open("wb") as file:
            yield file


def is_replaced(path: Path) -> bool:
    """A file is, or will be, there; no pipe or device. Raises OSError for a folder and where nothing can be there."""
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return True
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, "is a folder; name a file", str(path))
    return stat.S_ISREG(mode)


@contextlib.contextmanager
def _replacing(path: Path, target: Path, handle: int, whole: Path) -> Iterator[BinaryIO]:
    try:
        with _naming(path, _FULL), os.fdopen(handle, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        with _naming(path):
            whole.replace(target)
    except BaseException:
        whole.unlink(missing_ok=True)
        raise


@contextlib.contextmanager
def _naming(path: Path, those: Collection[int] = ()) -> Iterator[None]:
    """Errors name ``path``: all of them, as the file that is written meanwhile has a name that nobody knows; or
    ``those`` that name no file, as of a full disk.
    """
    try:
        yield
    except OSError as error:
        if those and (error.filename is not None or error.errno not in those):
            raise
        raise OSError(error.errno, error.strerror, str(path)) from error
