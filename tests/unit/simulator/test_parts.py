"""Small parts: job headers, badge lines, waiting for workers, what a view finds."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from pagereeve.domain.facts.ticket_codec import ticket_json
from pagereeve.simulator.errors import BadJob
from pagereeve.simulator.printer.job_language import header_of, job_of
from pagereeve.simulator.printer.model import PrintJob
from pagereeve.simulator.site.badge_lines import LineFormat
from pagereeve.simulator.site.notices import ended, worked_off
from pagereeve.simulator.site.release_server import HeldJob
from pagereeve.simulator.snmp.light_agent import LightAgent, tlv
from pagereeve.simulator.snmp.mib import Oid, Row, View


def test_a_ticket_leaves_out_what_the_release_server_does_not_tell() -> None:
    job = HeldJob("job-1", "anise", "library", pages=3, copies=2, tells_copies=False, tells_separators=False)
    said = ticket_json(job.ticket())
    assert ("copies" in said, "separator_sheets" in said, said["pages"]) == (False, False, 3)
    assert ticket_json(replace(job, tells_copies=True).ticket())["copies"] == 2


def test_a_job_survives_its_header() -> None:
    job = PrintJob("job-1.1", 7, 2, "two-sided-short-edge", 4, 1, 12_345, "past-queue")
    assert job_of(header_of(job)) == job


@pytest.mark.parametrize(
    ("header", "told"),
    [
        (b"{}", "header.job"),
        (b'{"job":"j"}', "header.pages"),
        (b'{"job":"j","pages":-1}', "-1"),
        (b'{"job":"j","pages":NaN}', "header.pages"),
        (b'{"job":"j","pages":1e3}', "header.pages"),
        (b'{"job":"j","pages":1,"copies":1001}', "header.copies"),
        (b'{"job":"j","pages":1,"sides":"both"}', "two-sided-long-edge"),
        (b'{"job":"j","pages":1,"cause":"start-up-page"}', "past-queue"),
        (b'["job"]', "a list"),
        (b"\xff", "no JSON line"),
    ],
)
def test_a_bad_header_names_what_is_wrong(header: bytes, told: str) -> None:
    with pytest.raises(BadJob, match="job header") as caught:
        job_of(header)
    assert told in str(caught.value)


def test_a_badge_line_that_does_not_fit_is_no_badge() -> None:
    line = LineFormat(prefix=";", suffix="?", terminator=b"\n")
    assert line.decode(b";1234?\n") == "1234"
    assert line.decode(b"1234?\n") is None
    assert line.decode(b";1234\n") is None
    assert line.decode(b";12\xff4?\n") is None


def test_a_view_is_walked_by_arcs_and_not_by_text() -> None:
    view = View([Row((1, 3, 10), "integer", 10), Row((1, 3, 9), "integer", 9), Row((1, 3, 9, 0), "integer", 0)])
    walked: list[Oid] = []
    at: Oid = (1, 3)
    while row := view.after(at):
        at = row.oid
        walked.append(at)
    assert walked == [(1, 3, 9), (1, 3, 9, 0), (1, 3, 10)]
    assert view.get((1, 3, 11)) is None


def test_a_light_agent_refuses_a_row_that_it_does_not_hold() -> None:
    with pytest.raises(KeyError, match="no row"):
        LightAgent("c", [Row((1, 3, 6, 1), "integer", 1)]).put(Row((1, 3, 6, 2), "integer", 1))


@pytest.mark.parametrize(("size", "head"), [(127, b"\x04\x7f"), (128, b"\x04\x81\x80"), (300, b"\x04\x82\x01\x2c")])
def test_lengths_are_the_shortest_there_are(size: int, head: bytes) -> None:
    # X.690 section 8.1.3: short form up to 127, then as few octets as will do.
    assert tlv(4, bytes(size))[: len(head)] == head


def test_a_tickets_members_are_the_held_jobs() -> None:
    ticket = HeldJob("j", "user-anise", "p", 3, copies=2, number_up=4).ticket()
    assert (ticket.pages, ticket.copies, ticket.number_up, ticket.title) == (3, 2, 4, None)


async def test_waiting_for_a_dead_worker_raises_what_killed_it() -> None:
    queue: asyncio.Queue[int] = asyncio.Queue(maxsize=1)

    async def work() -> None:
        await queue.get()
        raise RuntimeError("broken")

    worker = asyncio.create_task(work())
    await queue.put(1)
    with pytest.raises(RuntimeError, match="broken"):
        await worked_off([queue], [worker])
    with pytest.raises(RuntimeError, match="broken"):
        await ended([worker])


async def test_queues_that_are_worked_off_end_the_wait() -> None:
    queue: asyncio.Queue[int] = asyncio.Queue(maxsize=2)
    taken = []

    async def work() -> None:
        while True:
            taken.append(await queue.get())
            queue.task_done()

    worker = asyncio.create_task(work())
    await queue.put(1)
    await queue.put(2)
    await worked_off([queue], [worker])
    await ended([worker])
    assert taken == [1, 2]
