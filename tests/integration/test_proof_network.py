"""Ports and print data of the proof over real sockets: boxes that take and drop, printers that talk back."""

from __future__ import annotations

import asyncio

from pagereeve.proof.stages.network import port_of, send
from tests.integration.installation import an_installation, outcomes, stage_of


async def test_a_gateway_that_takes_the_connection_for_a_printer_that_does_not_is_told() -> None:
    async with an_installation() as here:
        here.gateway.print_down("north-1")
        proof = await here.prove(language="pcl")
        ports = stage_of(proof, "ports")
        assert ports.outcome == "failed"
        assert "broken-off" in ports.came
        assert "is the printer on, and its inner address right in the forward?" in ports.advice
        assert outcomes(proof)["quiet"] == "passed"
        assert outcomes(proof)["pages"] == "not-tried"
        assert here.engine.truth == []


async def test_a_port_that_speaks_first_is_open() -> None:
    async def greet(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"hello\r\n")
        await writer.drain()
        writer.close()

    server = await asyncio.start_server(greet, "127.0.0.1", 0)
    async with server:
        seen = await port_of("127.0.0.1", server.sockets[0].getsockname()[1], 1.0)
    assert (seen.reach, seen.detail) == ("open", "")


async def test_a_printer_that_talks_back_and_reads_late_still_gets_every_byte() -> None:
    # RFC 2525 section 2.17: closing with unread data resets the connection.
    got = bytearray()

    async def print_slowly(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"@PJL USTATUS\r\n" * 100)
        await writer.drain()
        await asyncio.sleep(0.3)
        while chunk := await reader.read(4096):
            got.extend(chunk)
        writer.close()

    data = bytes(range(256)) * 2_000
    server = await asyncio.start_server(print_slowly, "127.0.0.1", 0)
    async with server:
        await send("127.0.0.1", server.sockets[0].getsockname()[1], data, 10.0)
    assert bytes(got) == data
