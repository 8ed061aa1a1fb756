"""Names and ports as the proof tries them: with a deadline, and with the cause where they fail."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from dataclasses import dataclass
from typing import Literal

Reach = Literal["open", "refused", "silent", "unreachable"]


@dataclass(frozen=True, slots=True)
class PortSeen:
    port: int
    reach: Reach
    detail: str = ""


async def addresses_of(host: str, wait_s: float) -> list[str]:
    """The addresses that the name service gives, each once. Raises OSError, TimeoutError."""
    loop = asyncio.get_running_loop()
    async with asyncio.timeout(wait_s):
        found = await loop.getaddrinfo(host, None, type=socket.SOCK_DGRAM)
    return list(dict.fromkeys(str(sockaddr[0]) for *_, sockaddr in found))


async def port_of(host: str, port: int, wait_s: float) -> PortSeen:
    """Whether a TCP connection comes about; not a byte is sent, so nothing prints."""
    try:
        async with asyncio.timeout(wait_s):
            _, writer = await asyncio.open_connection(host, port)
    except TimeoutError:
        return PortSeen(port, "silent", f"no answer within {wait_s:g} s")
    except ConnectionRefusedError:
        return PortSeen(port, "refused", "nothing listens there")
    except OSError as error:
        return PortSeen(port, "unreachable", error.strerror or str(error))
    await close(writer)
    return PortSeen(port, "open")


async def send(host: str, port: int, data: bytes, wait_s: float) -> None:
    """Hand a document over. Raises OSError, TimeoutError."""
    async with asyncio.timeout(wait_s):
        _, writer = await asyncio.open_connection(host, port)
        try:
            writer.write(data)
            await writer.drain()
            writer.write_eof()
        finally:
            await close(writer)


async def close(writer: asyncio.StreamWriter) -> None:
    writer.close()
    # The other side may have gone first; there is nothing left to say to it.
    with contextlib.suppress(OSError):
        await writer.wait_closed()
