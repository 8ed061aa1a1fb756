"""The release server from badge line to notice, against a receiver of events that can be made to misbehave."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.values.instants import from_text
from pagereeve.simulator.errors import BadScenario
from pagereeve.simulator.printer.model import PrinterSpec
from pagereeve.simulator.printer.print_engine import PrintEngine
from pagereeve.simulator.printer.print_port import PrintPort
from pagereeve.simulator.site.badge_lines import BadgeSender, LineFormat
from pagereeve.simulator.site.release_server import Fault, HeldJob, PrinterRoute, ReleaseServer

SPEC = PrinterSpec("p", start_count=0, impressions_per_minute=60_000, first_sheet_us=1_000, warm_up_us=1_000)
BADGE, OWNER = "10101010", "user-anise"


@dataclass
class Receiver:
    """Takes posted CloudEvents; ``statuses`` are given out first, then 200."""

    statuses: list[int] = field(default_factory=list)
    slow_s: float = 0.0
    events: list[dict[str, Any]] = field(default_factory=list)
    preferred: list[str] = field(default_factory=list)
    marked_when_asked: list[int] = field(default_factory=list)
    marked: Callable[[], int] = int

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        head = (await reader.readuntil(b"\r\n\r\n")).decode()
        headers = dict(line.lower().split(": ", 1) for line in head.split("\r\n")[1:] if line)
        body = await reader.readexactly(int(headers["content-length"]))
        assert headers["content-type"] == "application/cloudevents+json"
        status = self.statuses.pop(0) if self.statuses else 200
        if status == 200:
            self.preferred.append(headers.get("prefer", ""))
            self.events.append(json.loads(body))
            self.marked_when_asked.append(self.marked())
        await asyncio.sleep(self.slow_s)
        writer.write(f"HTTP/1.1 {status} Whatever\r\nContent-Length: 0\r\n\r\n".encode())
        await writer.drain()
        writer.close()

    def kinds(self) -> list[str]:
        return [event["type"].split(".")[2] for event in self.events]


@dataclass
class Site:
    server: ReleaseServer
    engine: PrintEngine
    receiver: Receiver

    async def settle(self) -> None:
        await self.server.settled()
        clock = SystemClock()
        async with asyncio.timeout(5):
            while self.engine.busy(clock.now_us()):  # noqa: ASYNC110 - virtual time tells nobody
                await asyncio.sleep(0.005)

    async def released(self, *faults: Fault) -> int:
        """Release three pages, twice each, and say how many were marked."""
        self.server.hold(HeldJob("job-1", OWNER, "p", 3, copies=2, size_bytes=2_000, faults=frozenset(faults)))
        assert self.server.badge("g", BADGE) == "released 1"
        await self.settle()
        return self.engine.total().marked


@asynccontextmanager
async def standing() -> AsyncIterator[Site]:
    clock = SystemClock()
    engine = PrintEngine(SPEC, 1, clock.now_us())
    port = PrintPort(engine, clock)
    await port.start()
    receiver = Receiver(marked=lambda: engine.total().marked)
    events = await asyncio.start_server(receiver.serve, "127.0.0.1", 0)
    server = ReleaseServer(clock, badges={BADGE: OWNER})
    server.route(PrinterRoute("p", "g", port.address))
    server.board.url = "http://127.0.0.1:{1}/v1/events".format(*events.sockets[0].getsockname())
    try:
        yield Site(server, engine, receiver)
    finally:
        await server.stop()
        await port.stop()
        events.close()
        await events.wait_closed()


async def test_a_badge_line_lets_the_job_go_and_both_notices_are_told_in_order() -> None:
    async with standing() as site:
        sender = BadgeSender(SystemClock(), LineFormat(prefix="#"))
        await sender.point(await site.server.listen("g", LineFormat(prefix="#")))
        site.server.hold(HeldJob("job-1", OWNER, "p", 3, copies=2, sides="two-sided-long-edge"))
        site.server.hold(HeldJob("job-2", "user-birch", "p", 9))
        before_us = SystemClock().now_us()
        sender.present(BADGE)
        async with asyncio.timeout(5):
            while len(site.receiver.events) < 2:  # noqa: ASYNC110 - the receiver is a plain list
                await asyncio.sleep(0.005)
        await site.settle()
        await sender.stop()
        started, ended = site.receiver.events
    assert started["type"] == "pagereeve.release.started.v1"
    assert started["specversion"] == "1.0"
    assert started["data"] == {
        "release": "job-1.1",
        "job": "job-1",
        "owner": OWNER,
        "printer": "p",
        "gateway": "g",
        "badge": BADGE,
        "queue": "badge-release",
        "ticket": {
            "pages": 3,
            "copies": 2,
            "sides": "two-sided-long-edge",
            "number_up": 1,
            "color_mode": "monochrome",
            "media": "iso_a4_210x297mm",
            "separator_sheets": 0,
        },
    }
    assert before_us <= from_text(started["time"]) <= from_text(ended["time"])
    assert ended["data"] == {"release": "job-1.1", "outcome": "completed", "pages_sent": 6}
    assert site.receiver.marked_when_asked[0] == 0
    assert site.engine.total().by_job == {"job-1.1": 6}


async def test_a_gated_release_asks_for_a_wait_and_sends_nothing_before_the_answer() -> None:
    async with standing() as site:
        site.server.gate_s = 3
        site.receiver.slow_s = 0.2
        site.server.release_unbadged(HeldJob("job-1", OWNER, "p", 2))
        await asyncio.sleep(0.1)
        assert site.engine.total().marked == 0
        await site.settle()
        assert site.receiver.preferred == ["wait=3", ""]
        assert "badge" not in site.receiver.events[0]["data"]
        assert site.engine.total().marked == 2


async def test_a_notice_is_tried_again_under_the_same_id_until_it_is_acknowledged() -> None:
    async with standing() as site:
        site.receiver.statuses += [503, 500]
        await site.released()
        assert site.receiver.kinds() == ["started", "ended"]
        assert [event["id"] for event in site.receiver.events] == ["job-1.1.started", "job-1.1.ended"]
        assert (site.server.board.failures, site.server.board.acknowledged) == (2, 2)


async def test_a_refusal_is_final_and_holds_up_no_printing() -> None:
    async with standing() as site:
        site.receiver.statuses += [422]
        assert await site.released() == 6
        assert site.receiver.kinds() == ["ended"]
        assert site.server.board.refused == 1


async def test_in_an_outage_printing_goes_on_and_the_backlog_follows_with_its_own_times() -> None:
    async with standing() as site:
        site.server.board.outage = True
        site.server.release_unbadged(HeldJob("job-1", OWNER, "p", 2))
        site.server.release_unbadged(HeldJob("job-2", OWNER, "p", 1))
        async with asyncio.timeout(5):
            while site.engine.total().marked < 3:
                await asyncio.sleep(0.01)
                site.engine.advance(SystemClock().now_us())
        assert site.receiver.events == []
        over_us = SystemClock().now_us()
        site.server.board.outage = False
        await site.settle()
        assert site.receiver.kinds() == ["started", "ended"] * 2
        assert all(from_text(event["time"]) < over_us for event in site.receiver.events)


@pytest.mark.parametrize(
    ("fault", "kinds", "marked"),
    [
        ("no-end-notice", ["started"], 6),
        ("duplicate-notices", ["started", "started", "ended", "ended"], 6),
        ("conflicting-duplicate", ["started", "started", "ended"], 6),
        ("started-twice", ["started", "started", "ended"], 6),
        ("late-notices", ["started", "ended"], 6),
        # apple/cups#1782 and others: 3 pages x 2 copies come out as 3 x 2 x 2.
        ("copies-twice", ["started", "ended"], 12),
        # apple/cups#4073: printed twice, told once.
        ("sent-twice", ["started", "ended"], 12),
    ],
)
async def test_each_fault_shows_in_the_notices_or_on_the_meter(fault: Fault, kinds: list[str], marked: int) -> None:
    async with standing() as site:
        assert await site.released(fault) == marked
        assert site.receiver.kinds() == kinds


async def test_duplicates_are_the_same_event_and_conflicts_differ_in_their_pages() -> None:
    async with standing() as site:
        await site.released("duplicate-notices", "conflicting-duplicate")
        first, again, other = site.receiver.events[:3]
    assert first == again
    assert (other["id"], other["source"]) == (first["id"], first["source"])
    assert (first["data"]["ticket"]["pages"], other["data"]["ticket"]["pages"]) == (3, 4)


async def test_late_notices_come_after_the_data_with_the_true_start() -> None:
    async with standing() as site:
        await site.released("late-notices")
        started, ended = site.receiver.events
        assert from_text(started["time"]) < from_text(ended["time"])


async def test_a_job_cancelled_midway_says_so_and_prints_its_first_half() -> None:
    async with standing() as site:
        site.server.hold(HeldJob("job-1", OWNER, "p", 10, size_bytes=500_000, faults=frozenset({"cancel-midway"})))
        site.server.badge("g", BADGE)
        await site.settle()
        assert site.receiver.events[1]["data"] == {"release": "job-1.1", "outcome": "cancelled"}
        assert site.engine.total().by_job == {"job-1.1": 5}


async def test_a_wrong_printer_name_and_a_wrong_clock_show_in_the_notice_alone() -> None:
    async with standing() as site:
        site.server.clock_offset_us = -3_600_000_000
        assert await site.released("wrong-printer-name") == 6
        started = site.receiver.events[0]
        assert started["data"]["printer"] == "p-old"
        assert 3_500_000_000 < SystemClock().now_us() - from_text(started["time"]) < 3_700_000_000


async def test_badges_release_only_their_owners_jobs_behind_that_gateway() -> None:
    async with standing() as site:
        site.server.tells_badges = True
        site.server.hold(HeldJob("job-1", OWNER, "p", 1))
        assert site.server.badge("elsewhere", BADGE) == "released 0"
        assert site.server.badge("g", "99999999") == "unknown"
        assert site.server.counts.unknown_badges == 1
        await site.settle()
        assert [event["data"].get("outcome") for event in site.receiver.events] == ["accepted", "unknown"]


async def test_what_cannot_be_served_is_named() -> None:
    async with standing() as site:
        with pytest.raises(BadScenario, match="nowhere"):
            site.server.hold(HeldJob("job-1", OWNER, "nowhere", 1))
        with pytest.raises(BadScenario, match="badge lines of g2"):
            site.server.badge_address("g2")


async def test_a_badge_never_shows_in_a_repr() -> None:
    async with standing() as site:
        await site.released()
        assert BADGE not in repr(site.server.releases)
