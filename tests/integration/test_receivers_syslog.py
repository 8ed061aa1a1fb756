"""The syslog receiver against Debian's rsyslogd and against collectors that misbehave."""

from __future__ import annotations

import asyncio
import json
import re
import socket
import ssl
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from pagereeve.ports.receiver import NotDelivered
from pagereeve.ports.setting_types import Duration, HostPort
from pagereeve.receivers.syslog.settings import SyslogSettings
from pagereeve.receivers.syslog.syslog import SyslogReceiver
from pagereeve.receivers.syslog.text import BOM, RecordForm, record_of
from tests.integration.certificates import Certificate, self_made
from tests.integration.foreign import free_port, tool
from tests.integration.processes import accepts, free_tcp_port, running
from tests.integration.serving import serving
from tests.notices import notice, over

DEADLINE_S = 15.0
FORM = RecordForm(host_name="pagehost", process_id="77")
CONFIG = """\
global(workDirectory="{folder}" maxMessageSize="8k")
module(load="imudp")
module(load="imtcp")
template(name="fields" type="list" option.jsonf="on") {{
    property(outname="pri" name="pri" format="jsonf")
    property(outname="host" name="hostname" format="jsonf")
    property(outname="app" name="app-name" format="jsonf")
    property(outname="process" name="procid" format="jsonf")
    property(outname="msgid" name="msgid" format="jsonf")
    property(outname="data" name="structured-data" format="jsonf")
    property(outname="stamp" name="timereported" dateFormat="rfc3339" format="jsonf")
    property(outname="text" name="msg" format="jsonf")
}}
ruleset(name="told") {{ action(type="omfile" file="{out}" template="fields") }}
input(type="imudp" address="127.0.0.1" port="{udp}" ruleset="told")
input(type="imtcp" address="127.0.0.1" port="{tcp}" ruleset="told")
"""


@dataclass
class Collector:
    udp: int
    tcp: int
    out: Path

    async def records(self, count: int) -> list[dict[str, str]]:
        """So many records, and none beyond them."""
        for _ in range(int(DEADLINE_S / 0.05)):
            lines = self.out.read_text(encoding="utf-8").splitlines() if self.out.exists() else []
            if len(lines) >= count:
                break
            await asyncio.sleep(0.05)
        assert len(lines) == count
        return [json.loads(line) for line in lines]


@pytest.fixture
def collector(tmp_path: Path) -> Iterator[Collector]:
    known = Collector(free_port(), free_tcp_port(), tmp_path / "told.jsonl")
    file = tmp_path / "rsyslog.conf"
    file.write_text(CONFIG.format(folder=tmp_path, out=known.out, udp=known.udp, tcp=known.tcp))
    argv = [tool("rsyslogd", "rsyslog"), "-n", "-f", str(file), "-i", str(tmp_path / "rsyslog.pid")]
    with running(argv, lambda: accepts(known.tcp), tmp_path / "rsyslog.log"):
        yield known


def receiver(
    port: int, transport: Any = "tcp", *, host: str = "127.0.0.1", total_s: float = 10.0, tls: Any = None
) -> SyslogReceiver:
    """``total_s`` may be shorter than the settings allow."""
    settings = SyslogSettings(name="collector", server=HostPort(host, port), transport=transport)
    hasty = settings.model_copy(update={"timeout": Duration(round(total_s * 1e6))})
    return SyslogReceiver(hasty, FORM, tls=tls)


async def refused(one: SyslogReceiver) -> NotDelivered:
    with pytest.raises(NotDelivered) as caught:
        await one.deliver(notice())
    assert not caught.value.of_message
    return caught.value


@pytest.mark.parametrize("transport", ["udp", "tcp"])
async def test_rsyslog_reads_every_field(collector: Collector, transport: str) -> None:
    one = receiver(collector.udp if transport == "udp" else collector.tcp, transport)
    odd = notice(subject='a"b\\c]d', title="Zoë: 打印机", kind="feed silent")
    for message in (notice(), over(severity="info"), odd):
        await one.deliver(message)
    await one.close()
    first, last, strange = await collector.records(3)
    assert {name: first[name] for name in ("pri", "host", "app", "process", "msgid")} == {
        "pri": "130",
        "host": "pagehost",
        "app": "pagereeve",
        "process": "77",
        "msgid": "meter-silent",
    }
    assert first["stamp"].startswith("2026-11-25T09:02:00")
    assert first["data"].startswith('[pagereeve@32473 alert="a-5f0c9d7e21b4" nth="1" step="opened" severity="critical"')
    assert first["text"].removeprefix("\ufeff").startswith("The meter of library-1 does not answer. Critical, since")
    assert last["pri"] == "133"
    assert 'until="2026-11-25T09:03:00.000000Z"' in last["data"]
    assert 'subject="a\\"b\\\\c\\]d"' in strange["data"]
    assert strange["msgid"] == "feed_silent"
    assert strange["text"].removeprefix("\ufeff").startswith("Zoë: 打印机.")


@pytest.mark.parametrize("transport", ["udp", "tcp"])
async def test_the_largest_record_arrives_whole(collector: Collector, transport: str) -> None:
    message = notice(what="打" * 5_000, cost="é]" * 5_000)
    await receiver(collector.udp if transport == "udp" else collector.tcp, transport).deliver(message)
    (record,) = await collector.records(1)
    sent = record_of(message, FORM)
    assert 2045 <= len(sent) <= 2048
    assert record["text"].removeprefix("\ufeff") == sent.partition(BOM)[2].decode()


async def test_rsyslog_started_anew_gets_the_next_message(tmp_path: Path) -> None:
    """No connection is left over that the collector has forgotten."""
    known = Collector(free_port(), free_tcp_port(), tmp_path / "told.jsonl")
    file = tmp_path / "rsyslog.conf"
    file.write_text(CONFIG.format(folder=tmp_path, out=known.out, udp=known.udp, tcp=known.tcp))
    argv = [tool("rsyslogd", "rsyslog"), "-n", "-f", str(file), "-i", str(tmp_path / "rsyslog.pid")]
    one = receiver(known.tcp)
    for nth in (1, 2):
        with running(argv, lambda: accepts(known.tcp), tmp_path / "rsyslog.log"):
            await one.deliver(notice(nth=nth))
            assert f'nth="{nth}"' in (await known.records(nth))[-1]["data"]
        await refused(one)


@pytest.mark.parametrize("transport", ["udp", "tcp"])
async def test_nobody_there(transport: str) -> None:
    port = free_port() if transport == "udp" else free_tcp_port()
    assert f"127.0.0.1:{port} can't be reached" in str(await refused(receiver(port, transport)))


@dataclass
class Sink:
    """A collector of our own. ``closes_at_once``: it takes a connection, and nothing more."""

    port: int = 0
    closes_at_once: bool = False
    answers_end: bool = True
    received: list[bytes] = field(default_factory=list)
    ended: asyncio.Event = field(default_factory=asyncio.Event)

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self.closes_at_once:
            # A reset, so that nothing is taken for read.
            sock: socket.socket = writer.get_extra_info("socket")
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\0\0\0\0\0\0\0")
            return
        self.received.append(await reader.read())
        if not self.answers_end:
            await self.ended.wait()


@asynccontextmanager
async def sink(tls: ssl.SSLContext | None = None, **more: Any) -> AsyncIterator[Sink]:
    known = Sink(**more)
    async with serving(known.serve, tls) as known.port:
        yield known
        known.ended.set()


async def received(known: Sink) -> bytes:
    for _ in range(100):
        if known.received:
            return known.received[0]
        await asyncio.sleep(0.05)
    raise AssertionError("nothing was received")


async def test_one_frame_is_sent_over_tcp() -> None:
    async with sink() as known:
        await receiver(known.port).deliver(notice())
        record = record_of(notice(), FORM)
        assert known.received == [b"%d %b" % (len(record), record)]
        assert re.match(rb"[1-9]\d* <130>1 ", known.received[0])


async def test_one_frame_is_sent_over_tls_once_the_certificate_is_known(tmp_path: Path) -> None:
    made: Certificate = self_made(tmp_path)
    async with sink(made.server()) as known:
        assert "certificate" in str(await refused(receiver(known.port, "tls")))
        assert known.received == []
        await receiver(known.port, "tls", tls=made.client()).deliver(notice())
        record = record_of(notice(), FORM)
        assert await received(known) == b"%d %b" % (len(record), record)


async def test_a_collector_that_breaks_off_has_not_taken_it() -> None:
    async with sink(closes_at_once=True) as known:
        for _ in range(5):
            await refused(receiver(known.port))


async def test_a_collector_that_never_closes_is_not_waited_for_long() -> None:
    async with sink(answers_end=False) as known:
        began = time.monotonic()
        await receiver(known.port).deliver(notice())
        assert time.monotonic() - began < 5
        assert len(known.received) == 1


async def test_a_collector_that_never_greets_over_tls_is_not_waited_for_long() -> None:
    async with sink(answers_end=False) as known:
        began = time.monotonic()
        assert "within 0.5 s" in str(await refused(receiver(known.port, "tls", total_s=0.5)))
        assert time.monotonic() - began < 5


async def test_a_name_that_does_not_exist() -> None:
    with pytest.raises(NotDelivered):
        await receiver(514, host="no-such-host.invalid", total_s=5.0).deliver(notice())
