"""A printer's jobs over IPP: CUPS' own simulated printer as the peer, and servers with bad habits."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import subprocess
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path

import pytest

from pagereeve.domain.facts.jobs import JobCounts
from pagereeve.meters.ipp.witness import IppWitness
from pagereeve.ports.jobs import JobRow, JobsLook
from pagereeve.ports.meter import MeterTarget
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


async def looked(witness: IppWitness, port: int) -> JobsLook | None:
    target = MeterTarget("eve", "localhost", ipp_port=port)
    looks = await witness.look(target, 5.0, busy=True)
    return looks[0] if looks else None


@asynccontextmanager
async def a_witness(notes: list[str] | None = None) -> AsyncIterator[IppWitness]:
    told = [] if notes is None else notes
    witness = IppWitness(MachineClock(), lambda _, text: told.append(text))
    try:
        yield witness
    finally:
        await witness.close()


async def test_a_job_at_cups_own_printer_is_followed_to_its_end(tmp_path: Path) -> None:
    document = tmp_path / "document"
    document.write_text("an invented page\n")
    notes: list[str] = []
    with eve_printer(tmp_path) as port:
        async with a_witness(notes) as witness:
            first = await looked(witness, port)
            assert first is not None, notes
            assert (first.rows, first.whole, first.door) == ((), True, "ipp")
            uri = f"ipp://localhost:{port}/ipp/print"
            test = tmp_path / "print.test"
            test.write_text(
                "{\nOPERATION Print-Job\nGROUP operation-attributes-tag\nATTR charset attributes-charset utf-8\n"
                "ATTR language attributes-natural-language en\nATTR uri printer-uri $uri\n"
                "ATTR name requesting-user-name somebody\nATTR name job-name secret-title\n"
                "ATTR mimeMediaType document-format text/plain\nFILE $filename\nSTATUS successful-ok\n}\n"
            )
            argv = [tool("ipptool", "cups-ipp-utils"), "-q", "-f", str(document), uri, str(test)]
            sending = await asyncio.create_subprocess_exec(*argv)
            seen: list[JobRow] = []
            until = time.monotonic() + START_S
            while time.monotonic() < until and not (seen and seen[-1].state == "completed"):
                look = await looked(witness, port)
                assert look is not None, notes
                assert "secret-title" not in repr(look)
                assert "somebody" not in repr(look)
                seen += look.rows
                await asyncio.sleep(0.1)
            assert await sending.wait() == 0
    assert seen[0].state in {"pending", "processing"}
    assert seen[-1] == JobRow(1, "completed", JobCounts(impressions=3))
    assert notes == []


Answer = Callable[[bytes], tuple[int, bytes]]


@asynccontextmanager
async def server(answer: Answer) -> AsyncIterator[int]:
    """An HTTP server that answers each POST with a status and a body, and closes."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        head = await reader.readuntil(b"\r\n\r\n")
        size = next(int(line[15:]) for line in head.lower().split(b"\r\n") if line.startswith(b"content-length:"))
        await reader.readexactly(size)
        status, body = answer(head.split(b" ")[1])
        writer.write(b"HTTP/1.1 %d X\r\nContent-Length: %d\r\nConnection: close\r\n\r\n" % (status, len(body)) + body)
        await writer.drain()
        writer.close()

    listening = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield int(listening.sockets[0].getsockname()[1])
    finally:
        listening.close()


EMPTY = bytes.fromhex("0200 0000 00000001 03")


async def at(answer: Answer) -> tuple[JobsLook | None, list[str]]:
    notes: list[str] = []
    async with server(answer) as port, a_witness(notes) as witness:
        target = MeterTarget("p", "127.0.0.1", ipp_port=port)
        looks = await witness.look(target, 5.0, busy=True)
        # After a failure it is left in peace for a while.
        again = await witness.look(target, 5.0, busy=True)
        assert bool(again) == bool(looks)
        return (looks[0] if looks else None), notes


@pytest.mark.parametrize("path", [b"/ipp/print", b"/ipp", b"/", b"/ipp/port1"])
async def test_the_path_is_found(path: bytes) -> None:
    # HPInc/jipp#191: not-found for the queue that is not there, by IPP or by HTTP.
    missing = {True: (404, b""), False: (200, bytes.fromhex("0200 0406 00000001 03"))}
    look, notes = await at(lambda asked: (200, EMPTY) if asked == path else missing[path == b"/"])
    assert (look is not None, notes) == (True, [])


async def test_an_older_version_is_spoken_where_the_newer_is_not_known() -> None:
    # apple/cups#4079: version-not-supported to 2.0.
    answers = iter([bytes.fromhex("0101 0503 00000001 03")])
    look, _ = await at(lambda _: (200, next(answers, EMPTY)))
    assert look is not None


@pytest.mark.parametrize(
    ("answer", "text"),
    [
        ((200, bytes.fromhex("0200 0403 00000001 03")), "not authorized"),
        ((401, b""), "HTTP 401"),
        ((302, b""), "HTTP 302"),
        ((404, b""), "0x0406"),
        ((200, b"<html>"), "octets"),
        ((200, EMPTY[:-1]), "cut off"),
        ((200, EMPTY + bytes(70_000)), "more than"),
    ],
)
async def test_what_cannot_be_looked_at_is_told_once(answer: tuple[int, bytes], text: str) -> None:
    look, notes = await at(lambda _: answer)
    assert look is None
    (told,) = notes
    assert text in told


async def test_nothing_is_asked_of_a_printer_without_a_port_or_while_nothing_is_open() -> None:
    asked: list[bytes] = []

    def answer(path: bytes) -> tuple[int, bytes]:
        asked.append(path)
        return 200, EMPTY

    async with server(answer) as port, a_witness() as witness:
        assert await witness.look(MeterTarget("p", "127.0.0.1"), 5.0, busy=True) == ()
        assert await witness.look(MeterTarget("p", "127.0.0.1", ipp_port=port), 5.0, busy=False) == ()
    assert asked == []
