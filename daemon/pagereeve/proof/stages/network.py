"""Names and ports as the proof tries them: with a deadline, and with the cause where they fail."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

# ``broken-off``: accepted and closed at once, as a gateway does whose printer refuses the connection.
Reach = Literal["open", "broken-off", "refused", "silent", "unreachable"]

PEEK_S: Final = 0.5
CHUNK_BYTES: Final = 16_384
END_S: Final = 5.0
CLOSE_S: Final = 1.0


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
            reader, writer = await asyncio.open_connection(host, port)
    except TimeoutError:
        return PortSeen(port, "silent", f"no answer within {wait_s:g} s")
    except ConnectionRefusedError:
        return PortSeen(port, "refused", "nothing listens there")
    except OSError as error:
        return PortSeen(port, "unreachable", error.strerror or str(error))
    try:
        detail = await _broken_off(reader)
    finally:
        await close(writer)
    return PortSeen(port, "broken-off", detail) if detail else PortSeen(port, "open")


async def _broken_off(reader: asyncio.StreamReader) -> str:
    """How the other side ended the connection at once; empty where it keeps it, or speaks first."""
    try:
        async with asyncio.timeout(PEEK_S):
            first = await reader.read(1)
    except TimeoutError:
        return ""
    except OSError as error:
        return f"accepted, then dropped: {error.strerror or error}"
    return "" if first else "accepted, then closed at once"


async def send(host: str, port: int, data: bytes, wait_s: float, on_sent: Callable[[], None] | None = None) -> None:
    """Send a document, and wait a moment for the other side to close. Raises OSError, TimeoutError.

    ``on_sent`` is called at the last byte. It means that the port accepted the data, not that anything was printed.
    """
    async with asyncio.timeout(wait_s):
        reader, writer = await asyncio.open_connection(host, port)
        try:
            for at in range(0, len(data), CHUNK_BYTES):
                writer.write(data[at : at + CHUNK_BYTES])
                await writer.drain()
            if writer.can_write_eof():
                writer.write_eof()
            if on_sent is not None:
                on_sent()
            await _until_closed(reader)
        finally:
            await close(writer)


async def _until_closed(reader: asyncio.StreamReader) -> None:
    """Printers may talk back. Closed with an answer unread, the connection is reset, and data on their way are lost
    (RFC 2525 section 2.17).
    """
    try:
        async with asyncio.timeout(END_S):
            while await reader.read(CHUNK_BYTES):
                pass
    except TimeoutError:
        return


async def close(writer: asyncio.StreamWriter) -> None:
    """Close and wait a moment; a peer that is gone already, or never lets go, is left."""
    writer.close()
    try:
        async with asyncio.timeout(CLOSE_S):
            await writer.wait_closed()
    except (OSError, TimeoutError):
        writer.transport.abort()
