"""The file with the badge key: written so that a power cut leaves a whole key or none, and read with suspicion."""

from __future__ import annotations

import os
import secrets
import stat
from contextlib import suppress
from pathlib import Path
from typing import Final

from pagereeve.domain.values.errors import PagereeveError

KEY_BYTES: Final = 32
# RFC 2104 section 3: a key shorter than the hash's output is strongly discouraged.
LEAST_BYTES: Final = 32
MOST_BYTES: Final = 4096
_OPEN_TO_OTHERS: Final = stat.S_IROTH | stat.S_IWOTH | stat.S_IWGRP

RESTORE: Final = (
    "put the file back from the backup of the data directory and start again; only where there is no copy any more: "
    "pagereeve run --new-badge-key, after which no badge of before is recognised"
)


class BadBadgeKey(PagereeveError):
    """The badge key can't be used: the text names the file and what to do, and holds nothing of a key."""

    def __init__(self, path: Path, problem: str) -> None:
        super().__init__(f"badge key {path}: {problem}")
        self.path = path
        self.problem = problem


class FileLayer:
    """The calls of the system by which the file is made, each by itself: between any two the power may fail."""

    def remove(self, path: Path) -> None:
        path.unlink(missing_ok=True)

    def create(self, path: Path) -> int:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
        os.fchmod(handle, 0o600)  # an umask may have taken even our own rights
        return handle

    def write(self, handle: int, content: bytes) -> None:
        while content:
            content = content[os.write(handle, content) :]

    def sync(self, handle: int) -> None:
        os.fsync(handle)

    def close(self, handle: int) -> None:
        os.close(handle)

    def link(self, draft: Path, path: Path) -> None:
        """Raises FileExistsError: a key that is there is never replaced."""
        os.link(draft, path, follow_symlinks=False)

    def sync_folder(self, folder: Path) -> None:
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def make_key(path: Path, layer: FileLayer | None = None) -> None:
    """A new key at ``path``, which must not be there; it is durable, with its name, on return. Raises BadBadgeKey.

    The content is on the disk before its name is (LWN.net, "ext4 and data loss", 2009: a name without content).
    """
    put_key(path, secrets.token_hex(KEY_BYTES).encode(), layer)


def put_key(path: Path, content: bytes, layer: FileLayer | None = None) -> None:
    """``content`` at ``path`` as ``make_key`` does. Raises BadBadgeKey."""
    layer = layer or FileLayer()
    draft = _draft_of(path)
    try:
        layer.remove(draft)
        _write(draft, content, layer)
        with suppress(FileExistsError):
            layer.link(draft, path)
        layer.sync_folder(path.parent)
        layer.remove(draft)
    except OSError as error:
        by_hand = f"or make it yourself: (umask 077; openssl rand -hex {KEY_BYTES} > {path})"
        raise BadBadgeKey(path, f"can't be made ({error.strerror}); let the daemon write there, {by_hand}") from error


def tidied(path: Path) -> bool:
    """Is there a key file? Then what its writing may have left is removed: a second name of the same file."""
    if not path.exists():
        return False
    _draft_of(path).unlink(missing_ok=True)
    return True


def _draft_of(path: Path) -> Path:
    """Where a key is written before it has its name."""
    return path.with_name(f"{path.name}.new")


def _write(draft: Path, content: bytes, layer: FileLayer) -> None:
    handle = layer.create(draft)
    try:
        layer.write(handle, content)
        layer.sync(handle)
    finally:
        layer.close(handle)


def read_key(path: Path, hint: str = RESTORE) -> bytes:
    """The key. Raises BadBadgeKey, which says ``hint`` where the file is no usable key."""
    try:
        with path.open("rb") as file:
            mode = os.fstat(file.fileno()).st_mode
            content = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise BadBadgeKey(path, f"can't be read ({error.strerror}); let the daemon's user read it") from error
    if mode & _OPEN_TO_OTHERS:
        rights = f"{stat.S_IMODE(mode):04o}"
        problem = f"other users may read or change it (mode {rights}); chmod 600 {path}, and start again"
        raise BadBadgeKey(path, problem)
    key = content.strip()
    if not key.strip(b"\0"):
        raise BadBadgeKey(path, f"{'is empty' if not content else 'holds no key'}; {hint}")
    if len(key) < LEAST_BYTES:
        raise BadBadgeKey(path, f"is too short: {len(key)} bytes, {LEAST_BYTES} at least; {hint}")
    if len(content) > MOST_BYTES:
        raise BadBadgeKey(path, f"is longer than {MOST_BYTES} bytes; {hint}")
    return key


def set_aside(path: Path, layer: FileLayer | None = None) -> Path | None:
    """Give the file another name beside it, the first that is free; None where there is no file."""
    layer = layer or FileLayer()
    if not path.exists():
        return None
    number = next(one for one in range(1, 10_000) if not path.with_name(f"{path.name}.aside-{one}").exists())
    aside = path.with_name(f"{path.name}.aside-{number}")
    path.rename(aside)
    layer.sync_folder(path.parent)
    return aside
