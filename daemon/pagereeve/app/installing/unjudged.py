"""A file that a page writes beside the settings is noted in the data folder until a reload has judged it.

A daemon that is killed in between leaves the note: the next start, which reads the file like any other, says so, and
so does the doctor before it.
"""

from __future__ import annotations

import hashlib
import json
import os
from contextlib import suppress
from pathlib import Path
from typing import Final

import structlog

from pagereeve.settings.page_fragments import ASIDE

NAME: Final = "settings.unjudged"
NOTE_MAX_BYTES: Final = 16_384

log = structlog.get_logger("pagereeve.installing")


def note(data_dir: Path, target: Path, data: bytes) -> None:
    """Durable before ``target`` is there. Raises OSError."""
    aside = data_dir / f".{NAME}.new"
    with aside.open("wb") as file:
        aside.chmod(0o600)
        file.write(json.dumps({"file": str(target), "sha256": hashlib.sha256(data).hexdigest()}).encode())
        file.flush()
        os.fsync(file.fileno())
    aside.replace(data_dir / NAME)
    handle = os.open(data_dir, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def judged(data_dir: Path) -> None:
    """It is in force, or gone. A note that can't be removed is told once more at the next start, and hurts nothing."""
    with suppress(OSError):
        (data_dir / NAME).unlink(missing_ok=True)


def unjudged(data_dir: Path) -> str:
    """The path of a file that a page wrote and nothing has judged; "" without one, or where somebody changed it."""
    target, sha256 = _noted(data_dir)
    try:
        is_ours = target is not None and hashlib.sha256(target.read_bytes()).hexdigest() == sha256
    except OSError:
        return ""
    return str(target) if is_ours else ""


def told_at_start(data_dir: Path) -> None:
    """After a start has read the settings with it: it is in force."""
    target, _ = _noted(data_dir)
    if target is None:
        return
    if path := unjudged(data_dir):
        log.warning("a page wrote this file and the daemon ended before it answered; it is in force now", file=path)
    for left in target.parent.glob(f"{ASIDE}*"):
        with suppress(OSError):
            left.unlink()
    judged(data_dir)


def _noted(data_dir: Path) -> tuple[Path | None, str]:
    try:
        with (data_dir / NAME).open("rb") as file:
            found = json.loads(file.read(NOTE_MAX_BYTES))
        return Path(found["file"]), str(found["sha256"])
    except (OSError, ValueError, KeyError, TypeError):
        return None, ""
