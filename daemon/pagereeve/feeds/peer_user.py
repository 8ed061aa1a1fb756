"""Which user is at the other end of a local socket: the kernel says it, and nobody can say otherwise."""

from __future__ import annotations

import socket
import struct
from typing import Final

# struct ucred of unix(7): pid, uid, gid.
_UCRED: Final = struct.Struct("3i")


def uid_of(connection: socket.socket) -> int:
    """The effective user at the time of its connect (SO_PEERCRED, unix(7)). Raises OSError."""
    _, uid, _ = _UCRED.unpack(connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _UCRED.size))
    return int(uid)
