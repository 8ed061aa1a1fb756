"""A printer's jobs over IPP: CUPS' own simulated printer as the peer, and servers with bad habits."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

import pytest

from pagereeve.domain.facts.jobs import JobCounts
from pagereeve.meters.ipp.witness import IppWitness
from pagereeve.ports.jobs import JobRow, JobsLook
from pagereeve.ports.meter import MeterTarget
from tests.integration.foreign import tool
from tests.integration.ipp_peers import EMPTY, PRINT_JOB, START_S, Answer, a_witness, eve_printer, server


async def looked(witness: IppWitness, port: int) -> JobsLook | None:
    target = MeterTarget("eve", "localhost", ipp_port=port)
    looks = await witness.look(target, 5.0, busy=True)
    return looks[0] if looks else None


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
            test.write_text(PRINT_JOB)
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
