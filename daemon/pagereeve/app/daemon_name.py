"""What one of several daemons with one journal is called, through all its lives: in facts about its own clock."""

from __future__ import annotations

import os
import re
import secrets
import socket
from pathlib import Path
from typing import Final

from pagereeve.settings.errors import BadSettings, Problem

FILE_NAME: Final = "daemon.name"
"""In the data folder, which is one daemon's alone."""
NAME_BYTES_MAX: Final = 100
_NAME: Final = re.compile("[A-Za-z0-9][A-Za-z0-9.-]*")
_NOT_IN_NAMES: Final = re.compile("[^A-Za-z0-9.-]+")
_OWN_BYTES: Final = 4
_MACHINE_MAX: Final = 60


def daemon_name(data_dir: Path) -> str:
    """Made at the first start, and kept: the machine's name, by which people find it, and a part that no other has.

    Raises BadSettings where the file holds something else, OSError.
    """
    path = data_dir / FILE_NAME
    try:
        with path.open("rb") as file:
            said = file.read(NAME_BYTES_MAX + 1)
    except FileNotFoundError:
        return _made(path)
    name = said.decode("ascii", "replace").strip()
    if len(said) > NAME_BYTES_MAX or not _NAME.fullmatch(name):
        problem = f"{path} is no name of a daemon; delete it, and the start makes a new one"
        raise BadSettings("the data folder", [Problem("data_dir", problem)])
    return name


def _made(path: Path) -> str:
    machine = _NOT_IN_NAMES.sub("-", socket.gethostname()).strip("-.")[:_MACHINE_MAX]
    name = f"{machine or 'daemon'}-{secrets.token_hex(_OWN_BYTES)}"
    beside = path.with_name(f"{FILE_NAME}.new")  # a start that is cut off leaves no half of a name
    handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
    try:
        os.write(handle, f"{name}\n".encode())
        os.fsync(handle)
    finally:
        os.close(handle)
    beside.replace(path)
    return name
