"""The local socket's file: made so that nobody else can connect, and never in the place of one that somebody uses."""

from __future__ import annotations

import contextlib
import errno
import grp
import os
import secrets
import socket
import stat
from pathlib import Path
from typing import Final

from pagereeve.domain.values.errors import PagereeveError

SOCKET_NAME: Final = "daemon.sock"
# sun_path of unix(7), without the zero byte that ends it.
PATH_MAX_BYTES: Final = 107
BACKLOG: Final = 64
OWNER_ALONE: Final = 0o600
WITH_GROUP: Final = 0o660
# One that ended without removing its file may be followed by another while we look.
TRIES: Final = 3


class NoLocalSocket(PagereeveError):
    """Why there is none, and what to do."""


def path_problem(path: Path) -> str:
    """Empty where the system can make a local socket of that name."""
    size = max(len(bytes(one)) for one in (path.absolute(), _beside(path.absolute())))
    if size <= PATH_MAX_BYTES:
        return ""
    return f"the local socket's path has {size} bytes, and the system allows {PATH_MAX_BYTES}; set socket in [local]"


def group_problem(group: str | None) -> str:
    """Empty where the system knows the group."""
    if group is not None:
        try:
            grp.getgrnam(group)
        except KeyError:
            return f"{group!r} is no group of this machine; make it (groupadd), or leave it out"
    return ""


class SocketFile:
    """A socket that listens at ``path``. It is there only once it listens, with its mode and group."""

    def __init__(self, path: Path, group: str | None = None) -> None:
        """Raises NoLocalSocket."""
        self.path = path.absolute()
        if problem := path_problem(self.path) or group_problem(group):
            raise NoLocalSocket(problem)
        self.listening = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        beside = _beside(self.path)
        try:
            beside.unlink(missing_ok=True)
            self.listening.bind(str(beside))
            _close_to_others(beside, group)
            self.listening.settimeout(0)
            self.listening.listen(BACKLOG)
            found = beside.stat()
            self._inode = found.st_dev, found.st_ino
            _give_name(beside, self.path)
        except (OSError, NoLocalSocket) as error:
            self.listening.close()
            if isinstance(error, NoLocalSocket):
                raise
            raise NoLocalSocket(f"can't make the local socket {self.path}: {_why(error)}") from error
        finally:
            with contextlib.suppress(OSError):  # its folder is not there, or not ours
                beside.unlink(missing_ok=True)

    def is_there(self) -> bool:
        try:
            found = self.path.lstat()
        except OSError:
            return False
        return (found.st_dev, found.st_ino) == self._inode

    def remove(self) -> None:
        """Only our own; another daemon may have one of that name by now."""
        if self.is_there():
            with contextlib.suppress(OSError):  # one that is left over stands in nobody's way
                self.path.unlink()


def _beside(path: Path) -> Path:
    """A name that no other daemon has at the same time, in whatever namespace of processes it is."""
    return path.with_name(f".{secrets.token_hex(3)}")


def _close_to_others(path: Path, group: str | None) -> None:
    """Before it listens, nobody can connect."""
    if group is not None:
        try:
            os.chown(path, -1, grp.getgrnam(group).gr_gid)
        except PermissionError as error:
            member = f"let the daemon's user be a member of {group} (SupplementaryGroups= in its unit)"
            raise NoLocalSocket(f"can't give the local socket to the group {group}; {member}") from error
    path.chmod(OWNER_ALONE if group is None else WITH_GROUP)


def _give_name(beside: Path, path: Path) -> None:
    """link(2) replaces nothing, so that what stands there is looked at, and only a dead socket is removed."""
    for _ in range(TRIES):
        try:
            os.link(beside, path, follow_symlinks=False)
        except FileExistsError:
            _remove_dead(path, beside.with_name(f"{beside.name}x"))
        else:
            return
    raise NoLocalSocket(f"{path} comes again and again: other processes make it; set socket in [local]")


def _remove_dead(path: Path, aside: Path) -> None:
    """Raises NoLocalSocket for one that somebody listens on, and for what is no socket."""
    try:
        found = path.lstat()
    except FileNotFoundError:
        return
    if not stat.S_ISSOCK(found.st_mode):
        raise NoLocalSocket(f"{path} is no socket; move it away, or set socket in [local]")
    if _is_alive(path):
        raise NoLocalSocket(f"another process listens on {path}; stop that daemon, or set socket in [local]")
    path.rename(aside)
    taken = aside.lstat()
    # An inode's number is used again; when a socket was made does not change with its name.
    if (taken.st_dev, taken.st_ino, taken.st_mtime_ns) == (found.st_dev, found.st_ino, found.st_mtime_ns):
        aside.unlink()
        return
    # Another daemon gave it a new one in between: it gets it back.
    with contextlib.suppress(FileExistsError):
        os.link(aside, path, follow_symlinks=False)
    aside.unlink()


def _is_alive(path: Path) -> bool:
    """Refused is what connect(2) says where nobody listens any more; anything else is not ours to remove."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asking:
        asking.settimeout(0)
        return asking.connect_ex(str(path)) not in {errno.ECONNREFUSED, errno.ENOENT}


def _why(error: OSError) -> str:
    return os.strerror(error.errno) if error.errno else str(error)
