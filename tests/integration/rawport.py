"""A raw print port for namespaces: counts form feeds as pages and moves the meter that snmpd serves."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

import pytest

PRINT_PORT = 9100

# A raw print port that counts form feeds as pages and moves the meter of the objects file.
PRINTER = """\
import pathlib, re, socket, sys
path = pathlib.Path(sys.argv[1])
with socket.create_server(("0.0.0.0", int(sys.argv[2]))) as server:
    while True:
        connection, _ = server.accept()
        with connection:
            pages = 0
            while data := connection.recv(65536):
                pages += data.count(b"\\f")
            text = path.read_text()
            moved = re.sub(r"(?m)^(1\\.3\\.6\\.1\\.2\\.1\\.43\\.10\\.2\\.1\\.4\\.\\S+ counter )(\\d+)$",
                           lambda found: found[1] + str(int(found[2]) + pages), text)
            fresh = path.with_suffix(".printed")
            fresh.write_text(moved)
            fresh.replace(path)
            connection.sendall(b"done")
"""


def print_port(objects: Path) -> list[str]:
    """The command that opens the port, for a process of its own."""
    return [sys.executable, "-c", PRINTER, str(objects), str(PRINT_PORT)]


async def printed(host: str, pages: int) -> None:
    """Send a job of so many pages to the raw print port and wait until the printer has it out."""
    async with asyncio.timeout(10):
        for _ in range(100):
            try:
                reader, writer = await asyncio.open_connection(host, PRINT_PORT)
                break
            except ConnectionRefusedError:
                await asyncio.sleep(0.05)
        else:
            pytest.fail("the print port never opened")
        writer.write(b"a page\f" * pages)
        writer.write_eof()
        assert await reader.read() == b"done"
        writer.close()
        await writer.wait_closed()
