"""Peers that speak IPP: CUPS' own simulated printer, and a server that answers as a test wants."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import ssl
import subprocess
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from pathlib import Path

import pytest

from pagereeve.meters.ipp.witness import IppWitness
from tests.integration.foreign import tool
from tests.snmp_agents import MachineClock

START_S = 15.0
# A print command of ippeveprinter(1): it says how many sides it made, and takes its time.
ENGINE = """\
#!/bin/sh
echo "ATTR: job-impressions=3" >&2
echo "ATTR: job-impressions-completed=1" >&2
sleep 0.7
echo "ATTR: job-impressions-completed=3" >&2
"""
# A file for ipptool(1); the names are canaries.
PRINT_JOB = (
    "{\nOPERATION Print-Job\nGROUP operation-attributes-tag\nATTR charset attributes-charset utf-8\n"
    "ATTR language attributes-natural-language en\nATTR uri printer-uri $uri\n"
    "ATTR name requesting-user-name somebody\nATTR name job-name secret-title\n"
    "ATTR mimeMediaType document-format text/plain\nFILE $filename\nSTATUS successful-ok\n}\n"
)


def free_tcp_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def eve_printer(folder: Path) -> Iterator[int]:
    """ippeveprinter without DNS-SD, on a bus of its own; yields its port."""
    engine, port, log = folder / "engine", free_tcp_port(), folder / "log"
    engine.write_text(ENGINE)
    engine.chmod(0o755)
    (folder / "spool").mkdir()
    options = f"-r off -n localhost -p {port} -2 -K {folder} -d {folder / 'spool'} -c {engine} -f text/plain"
    command = f"DBUS_SYSTEM_BUS_ADDRESS=$DBUS_SESSION_BUS_ADDRESS exec {tool('ippeveprinter', 'cups-ipp-utils')}"
    argv = [tool("dbus-run-session", "dbus-daemon"), "--", "sh", "-c", f"{command} {options} Library"]
    with log.open("wb") as out:
        process = subprocess.Popen(
            argv, stdin=subprocess.DEVNULL, stdout=out, stderr=subprocess.STDOUT, start_new_session=True
        )
        try:
            until = time.monotonic() + START_S
            while time.monotonic() < until and process.poll() is None:
                with socket.socket() as probe:
                    if probe.connect_ex(("127.0.0.1", port)) == 0:
                        break
                time.sleep(0.05)
            else:
                pytest.fail(f"ippeveprinter did not start: {log.read_text(errors='replace')}", pytrace=False)
            yield port
        finally:
            os.killpg(process.pid, signal.SIGTERM)
            process.wait(10)


@asynccontextmanager
async def a_witness(notes: list[str] | None = None) -> AsyncIterator[IppWitness]:
    told = [] if notes is None else notes
    witness = IppWitness(MachineClock(), lambda _, text: told.append(text))
    try:
        yield witness
    finally:
        await witness.close()


Answer = Callable[[bytes], tuple[int, bytes]]


@asynccontextmanager
async def server(answer: Answer, tls: ssl.SSLContext | None = None) -> AsyncIterator[int]:
    """An HTTP server that answers each POST with a status and a body, and closes."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            begun = await reader.readexactly(4)
            if begun == b"POST":
                head = await reader.readuntil(b"\r\n\r\n")
                lines = head.lower().split(b"\r\n")
                await reader.readexactly(next(int(line[15:]) for line in lines if line.startswith(b"content-length:")))
            status, body = answer(head.split(b" ")[1]) if begun == b"POST" else (400, b"")
            first = b"HTTP/1.1 %d X\r\nContent-Length: %d\r\nConnection: close\r\n\r\n" % (status, len(body))
            writer.write(first + body)
            await writer.drain()
        except (OSError, asyncio.IncompleteReadError):
            # Whoever looked went away: at a certificate that is not accepted, for one.
            pass
        finally:
            writer.close()
            with suppress(OSError):
                await writer.wait_closed()

    listening = await asyncio.start_server(serve, "127.0.0.1", 0, ssl=tls)
    try:
        yield int(listening.sockets[0].getsockname()[1])
    finally:
        listening.close()
        # What is under way ends first, with its socket.
        await asyncio.sleep(0.01)


EMPTY = bytes.fromhex("0200 0000 00000001 03")
