"""Bad input against the running daemon: a clear answer each, nothing else disturbed, all counted, no secret told."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
from pydantic import SecretStr

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.domain.ledger import Verdict
from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.reports.facts_file import fact_lines, line_bytes
from pagereeve.settings import FeedSettings, GatewaySettings, HostPort, LineFeedSettings, PrinterSettings
from pagereeve.simulator.college.fleet import Fleet
from tests.integration.daemon import Outside, hasty_settings, until

COMMUNITY = "s3cr3t-invented"
BADGE = "04A1B2C3D4E5F6"
PRINTER = "fleet-0001"


@dataclass
class Site:
    outside: Outside
    fleet: Fleet
    folder: Path

    async def good_release(self, name: str, pages: int = 3) -> None:
        """What is asked for while the bad input comes: bracketed as if nothing were."""
        assert (await self.outside.started(name, PRINTER, pages)).status_code == 200
        await asyncio.sleep(0.3)
        self.fleet.printers[PRINTER].mark(pages)
        assert (await self.outside.ended(name)).status_code == 200
        charge = await self.outside.closed_charge(name)
        assert (charge.counted, charge.verdict) == (pages, Verdict.AGREES)

    async def counted(self, metric: str) -> float:
        text = await self.outside.metrics()
        return sum(float(line.rsplit(" ", 1)[1]) for line in text.splitlines() if re.match(metric, line))


@pytest_asyncio.fixture
async def site(tmp_path: Path) -> AsyncIterator[Site]:
    fleet = Fleet(2, SystemClock(), community=COMMUNITY)
    await fleet.start()
    printers = [
        PrinterSettings(name=name, host=host, port=port, community=SecretStr(COMMUNITY))
        for name, (host, port) in fleet.addresses().items()
    ]
    feeds = FeedSettings(lines=(LineFeedSettings(name="badges", listen=HostPort("127.0.0.1", 0), gateway="gate-1"),))
    gateways = (GatewaySettings(name="gate-1"),)
    settings = hasty_settings(tmp_path / "data", printers, feeds=feeds, gateways=gateways)
    async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as outside:
        await outside.first_reading(PRINTER)
        yield Site(outside, fleet, tmp_path / "data")
    await fleet.stop()


def start(**changes: Any) -> dict[str, Any]:
    data = {"release": "r-bad", "job": "j", "owner": "user-anise", "printer": PRINTER}
    ticket = {"pages": 3, **changes.pop("ticket", {})}
    return data | {"ticket": ticket} | changes


BAD_MEMBERS: list[tuple[dict[str, Any], str]] = [
    ({"release": -1}, "data.release"),
    ({"release": True}, "data.release"),
    ({"job": 12.0}, "data.job"),
    ({"job": None}, "data.job"),
    ({"printer": ""}, "data.printer"),
    ({"owner": ""}, "data.owner"),
    ({"owner": 7}, "data.owner"),
    ({"printer": ["a"]}, "data.printer"),
    ({"owner": "user\u202eanise"}, "data.owner"),
    ({"ticket": {"media": "iso_a4\u0085"}}, "data.ticket.media"),
    ({"queue": "a\u2028b"}, "data.queue"),
]


async def test_each_bad_member_is_named_and_nothing_else_is_disturbed(site: Site) -> None:
    # matrix-org/synapse#8106, ProjectCuillin/nats-sinks#67: NaN and Infinity
    good = asyncio.create_task(site.good_release("r-good"))
    for number, (changes, where) in enumerate(BAD_MEMBERS):
        answer = await site.outside.send("pagereeve.release.started.v1", f"bad-{number}", start(**changes))
        assert answer.status_code == 422, answer.text
        assert answer.headers["content-type"] == "application/problem+json"
        problem = answer.json()
        assert problem["where"] == where
        assert len(problem["detail"]) > 20
    await good
    assert await site.counted(r'pagereeve_refused_total\{.*reason="bad-member"') == len(BAD_MEMBERS)
    assert [fact async for fact in site.outside.app.store.facts("r-bad")] == []


@pytest.mark.parametrize(
    ("raw", "status"),
    [
        (b'{"pages": NaN}', 400),
        (b'{"pages": 1e400}', 400),
        (b'{"a": 1, "a": 2}', 400),
        (b"[" * 100 + b"]" * 100, 400),
        (b'{"a": "\xc3\x28"}', 400),
        (b"", 400),
        (b"null", 400),
        (b" " * (2**20 + 1), 413),
    ],
)
async def test_what_is_no_strict_json_is_refused_and_counted(site: Site, raw: bytes, status: int) -> None:
    # Arokha/EP2-Data#5: a byte order mark
    answer = await site.outside.post(raw)
    assert answer.status_code == status, answer.text
    assert answer.json()["status"] == status
    assert await site.counted(r"pagereeve_refused_total") == 1
    await site.good_release("r-after")


async def test_a_byte_order_mark_is_taken_and_a_wrong_media_type_is_not(site: Site) -> None:
    event = site.outside.event("pagereeve.release.started.v1", "bom", start(release="r-bom"))
    assert (await site.outside.post(b"\xef\xbb\xbf" + json.dumps(event).encode())).status_code == 200
    assert (await site.outside.post(json.dumps(event).encode(), "text/plain")).status_code == 415


async def test_times_from_1970_and_from_next_week_are_kept_marked_and_found(site: Site) -> None:
    # datalust/seq-tickets#1570: events from the future
    next_week = to_text(SystemClock().now_us() + 7 * 86_400 * SECOND_US)
    for name, time in (("r-1970", "1970-01-01T00:00:00Z"), ("r-next", next_week)):
        data = start(release=name)
        answer = await site.outside.send("pagereeve.release.started.v1", f"{name}.started", data, time)
        assert answer.status_code == 200, answer.text
        await site.outside.ended(name)
    await site.outside.finding("source-clock-off", PRINTER)
    for name in ("r-1970", "r-next"):
        charge = await site.outside.closed_charge(name)
        assert abs(charge.started_us - SystemClock().now_us()) < 60 * SECOND_US
    refused = await site.outside.send("pagereeve.release.started.v1", "r-when", start(), "yesterday")
    assert (refused.status_code, refused.json()["where"]) == (422, "time")


async def test_an_unknown_printer_is_kept_and_found(site: Site) -> None:
    answer = await site.outside.send("pagereeve.release.started.v1", "u", start(release="r-u", printer="nowhere"))
    assert answer.status_code == 200
    await site.outside.finding("unknown-printer", "nowhere")
    assert "nowhere" not in await site.outside.metrics()


async def test_duplicates_change_nothing_and_a_conflict_is_kept_aside(site: Site) -> None:
    event = site.outside.event("pagereeve.release.started.v1", "d", start(release="r-d"))
    answers = [await site.outside.post(json.dumps(event).encode()) for _ in range(3)]
    assert [one.json()["outcome"] for one in answers] == ["stored", "duplicate", "duplicate"]
    event["data"]["ticket"]["pages"] = 4
    conflict = await site.outside.post(json.dumps(event).encode())
    assert conflict.status_code == 409
    await site.outside.finding("conflicting-duplicate", PRINTER)
    assert await site.counted(r'pagereeve_events_total\{feed="http",outcome="duplicate"\}') == 2
    assert await site.counted(r'pagereeve_events_total\{feed="http",outcome="conflict"\}') == 1


async def test_a_batch_is_answered_item_by_item(site: Site) -> None:
    kind = "pagereeve.release.started.v1"
    batch: list[Any] = [
        site.outside.event(kind, "b1", start(release="r-b1")),
        site.outside.event(kind, "b2", start(owner=-1)),
        site.outside.event("pagereeve.unheard.of.v1", "b3", {}),
        "no event at all",
        site.outside.event(kind, "b4", start(release="r-b4")),
    ]
    answer = await site.outside.post(json.dumps(batch).encode(), "application/cloudevents-batch+json")
    assert answer.status_code == 200, answer.text
    results = answer.json()["results"]
    assert [one.get("id") for one in results] == ["b1", "b2", "b3", None, "b4"]
    assert [one["status"] for one in results] == [200, 422, 422, 400, 200]
    assert results[1]["problem"]["where"] == "data.owner"


async def test_no_secret_leaves_by_any_door(site: Site, capfd: pytest.CaptureFixture[str]) -> None:
    """Promise 6 of domain/README.md."""
    told = [
        await site.outside.send("pagereeve.badge.presented.v1", "k1", {"badge": BADGE, "gateway": "gate-1"}),
        await site.outside.send("pagereeve.badge.presented.v1", "k2", {"badge": BADGE * 40, "gateway": "gate-1"}),
        await site.outside.send("pagereeve.release.started.v1", "k3", start(release="r-k", badge=BADGE)),
    ]
    assert [one.status_code for one in told] == [200, 422, 200]
    address = site.outside.app.feeds["badges"].address
    _, writer = await asyncio.open_connection(*address)
    writer.write(f"{BADGE}\r\n".encode() + b"\xff" + BADGE.encode() + b"\xff\r\n")
    await writer.drain()
    writer.close()
    await writer.wait_closed()

    async def both_lines() -> bool | None:
        taken = await site.counted(r'pagereeve_events_total\{feed="badges",outcome="stored"\}')
        refused = await site.counted(r'pagereeve_refused_total\{feed="badges"')
        return (taken, refused) == (1, 1) or None

    await until(both_lines, "one line taken and one refused")
    lines = b"\n".join([line_bytes(line) async for line in fact_lines(site.outside.app.store)])
    everything = [lines.decode(), await site.outside.metrics(), *(one.text for one in told), *capfd.readouterr()]
    everything += [path.read_bytes().decode("latin-1") for path in sorted(site.folder.glob("journal*"))]
    for text in everything:
        for secret in (BADGE, COMMUNITY, COMMUNITY[:6], COMMUNITY.encode().hex()):
            assert secret.lower() not in text.lower()
