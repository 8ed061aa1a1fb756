"""Opening the sockets that listen, with errors that name the address as people write it."""

from __future__ import annotations

import asyncio
import os
import socket

from pagereeve.ports.setting_types import HostPort


async def listening_sockets(listen: HostPort) -> list[socket.socket]:
    """One for each address of the host. Raises OSError (see ``cannot_listen``), and then none is left open."""
    found: list[socket.socket] = []
    try:
        loop = asyncio.get_running_loop()
        known = await loop.getaddrinfo(listen.host, listen.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
        for family, _, _, _, address in dict.fromkeys(known):
            found.append(socket.create_server(address, family=family))
    except OSError as error:
        for one in found:
            one.close()
        raise cannot_listen(listen, error) from error
    return found


def cannot_listen(listen: HostPort, error: OSError) -> OSError:
    """The same error in words for people: asyncio puts a Python tuple where the address stands."""
    code = error.errno or 0
    why = os.strerror(code) if code > 0 else (error.strerror or type(error).__name__)
    return OSError(error.errno, f"can't listen on {listen}: {why}; is another process there? Change the setting listen")
