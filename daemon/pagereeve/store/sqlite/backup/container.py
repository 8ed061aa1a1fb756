"""The file of a backup: a SQLite database, and behind it a manifest that says what it must be.

    the database        byte for byte: SQLite opens the file as it is, what follows the last page is not its own
    the manifest        one line of JSON: the state of the journal, the SHA-256 of the database, the badge key if wanted
    the footer          128 bytes: how long the manifest is, and its SHA-256

So every bit of the file is covered, and a file that was cut off has no footer.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, Final

from pagereeve.ports.journal import DamagedRow
from pagereeve.store.newest import Newest
from pagereeve.store.sqlite.backup.errors import BadBackup
from pagereeve.store.sqlite.backup.state import JournalState, TableState, TimelineState

FORMAT: Final = 1
FOOTER_BYTES: Final = 128
MANIFEST_MAX_BYTES: Final = 64 * 2**20
CHUNK_BYTES: Final = 2**20
_WORD: Final = "pagereeve-backup"
_CUT_OFF: Final = "it has no end that a backup has: it was cut off, or is no backup; use another one"


@dataclass(frozen=True, slots=True)
class Manifest:
    """``made_us`` is when the copy was taken; ``sha256`` is of the database, hex; ``key`` the badge key, if in."""

    made_us: int
    size_bytes: int
    sha256: str
    state: JournalState
    key: bytes | None = field(default=None, repr=False)


def seal(path: Path, made_us: int, state: JournalState, key: bytes | None) -> Manifest:
    """Append the manifest to the database at ``path``; all of it is durable on return. Raises OSError."""
    with path.open("r+b") as file:
        sha256, size_bytes = _digest(file)
        manifest = Manifest(made_us, size_bytes, sha256, state, key)
        body = json.dumps(_members(manifest), separators=(",", ":"), sort_keys=True).encode() + b"\n"
        file.write(body + _footer(body))
        file.flush()
        os.fsync(file.fileno())
    return manifest


def read_manifest(path: Path) -> Manifest:
    """Raises BadBackup, or OSError."""
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        if size < FOOTER_BYTES:
            raise BadBackup(path, _CUT_OFF)
        file.seek(size - FOOTER_BYTES)
        footer = file.read()
        length = _length(footer)
        if length is None or not 0 < length <= min(MANIFEST_MAX_BYTES, size - FOOTER_BYTES):
            raise BadBackup(path, _CUT_OFF)
        file.seek(size - FOOTER_BYTES - length)
        body = file.read(length)
    if _footer(body) != footer:
        raise BadBackup(path, "its manifest is damaged: what the journal in it must be is unknown; use another backup")
    try:
        manifest = _manifest(json.loads(body))
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise BadBackup(path, f"its manifest is none that this version knows ({error}); use the newer one") from error
    if manifest.size_bytes != size - FOOTER_BYTES - length:
        raise BadBackup(path, "its database is longer or shorter than the manifest says; use another backup")
    return manifest


def unpack(path: Path, manifest: Manifest, target: Path) -> bool:
    """Write the database alone to ``target``, durable on return. False where it is not what was backed up."""
    digest, left = hashlib.sha256(), manifest.size_bytes
    handle = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    with path.open("rb") as source, os.fdopen(handle, "wb") as file:
        while left and (chunk := source.read(min(left, CHUNK_BYTES))):
            digest.update(chunk)
            file.write(chunk)
            left -= len(chunk)
        file.flush()
        os.fsync(file.fileno())
    return not left and digest.hexdigest() == manifest.sha256


def _digest(file: BinaryIO) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    while chunk := file.read(CHUNK_BYTES):
        digest.update(chunk)
        size += len(chunk)
    return digest.hexdigest(), size


def _footer(body: bytes) -> bytes:
    text = f"{_WORD} {FORMAT} {len(body)} {hashlib.sha256(body).hexdigest()}"
    return text.encode().ljust(FOOTER_BYTES - 1) + b"\n"


def _length(footer: bytes) -> int | None:
    """None where it is no footer of ours."""
    fields = footer.split()
    if len(fields) != 4 or fields[0] != _WORD.encode() or not fields[2].isdigit():
        return None
    return int(fields[2])


def _members(manifest: Manifest) -> dict[str, Any]:
    state = manifest.state
    return {
        "format": FORMAT,
        "made_us": manifest.made_us,
        "size_bytes": manifest.size_bytes,
        "sha256": manifest.sha256,
        "revision": state.revision,
        "newest": [state.newest.fence, state.newest.sequence, state.newest.digest],
        "newest_us": state.newest_us,
        "key_id": state.key_id,
        "key": None if manifest.key is None else manifest.key.hex(),
        "timelines": {name: [one.facts, one.newest, one.head] for name, one in state.timelines.items()},
        "tables": {name: [one.rows, one.digest] for name, one in state.tables.items()},
        "damaged": [[one.printer, one.seq, one.kind] for one in state.damaged],
    }


def _manifest(members: Mapping[str, Any]) -> Manifest:
    """Raises KeyError, TypeError or ValueError."""
    if members["format"] != FORMAT:
        raise ValueError(f"format {members['format']}")
    state = JournalState(
        revision=members["revision"],
        newest=Newest(*members["newest"]),
        newest_us=members["newest_us"],
        key_id=members["key_id"],
        timelines={name: TimelineState(*one) for name, one in members["timelines"].items()},
        tables={name: TableState(*one) for name, one in members["tables"].items()},
        damaged=tuple(DamagedRow(*one) for one in members["damaged"]),
    )
    key = None if members["key"] is None else bytes.fromhex(members["key"])
    return Manifest(members["made_us"], members["size_bytes"], members["sha256"], state, key)
