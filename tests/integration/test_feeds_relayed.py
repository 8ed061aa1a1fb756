"""The copy of relayed lines, from a relay's local socket to the intake: once each, whatever happens in between."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator, Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from pagereeve.domain.values.errors import BadFact
from pagereeve.feeds.acceptor import NotStarted
from pagereeve.feeds.kind import FeedContext
from pagereeve.feeds.lines.relayed import LinesDropped, RelayLink
from pagereeve.feeds.testing import LoopClock, MemoryIntake
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.line_settings import RelaySettings
from pagereeve.ports.relay_link import Greeting, encoded
from tests.relaying import BOOT, ReleaseServer, connect, listening, loop_us, relay_settings, relaying, until


class Errors(list[tuple[str, Exception]]):
    def __call__(self, doing: str, error: Exception) -> None:
        self.append((doing, error))


@contextlib.asynccontextmanager
async def linked(
    folder: Path,
    intake: MemoryIntake,
    *relays: RelaySettings,
    gateways: Mapping[str, str] | None = None,
    errors: Errors | None = None,
    shared_us: Callable[[], int] = loop_us,
) -> AsyncIterator[RelayLink]:
    heard = Errors() if errors is None else errors
    context = FeedContext(
        intake=intake,
        clock=LoopClock(),
        on_error=heard,
        gateways=gateways or {},
        connections_max=8,
        peer_connections_max=8,
        backlog_max=8,
    )
    link = RelayLink(relays, folder / "relay.sock", context, shared_us)
    await link.start()
    try:
        yield link
    finally:
        await asyncio.wait_for(link.stop(), 5)
    assert errors is not None or not heard


def names(intake: MemoryIntake) -> list[str]:
    return [line.name for line in intake.badges]


async def there(folder: Path) -> None:
    """The relay makes its socket right after its start."""
    await until((folder / "relay.sock").exists)


async def test_lines_come_with_gateway_reader_instant_and_a_name_of_their_own(tmp_path: Path) -> None:
    server, intake = ReleaseServer(), MemoryIntake()
    async with listening(server.serve) as target:
        settings = relay_settings(target, reader="desk", prefix="<", suffix=">")
        async with relaying(tmp_path, settings) as relay:
            await there(tmp_path)
            async with linked(tmp_path, intake, settings, gateways={"127.0.0.1": "library"}) as link:
                feed = link.feeds["badges"]
                await until(lambda: feed.stats.relay_up)
                assert feed.address == relay.listeners[0].address
                _, writer = await connect(relay)
                writer.write(b"<04A1>\n<0042>\n0099\n\n<" + b"9" * 600 + b">\n")
                await until(lambda: len(intake.kept_aside) == 2 and len(intake.badges) == 2)
                await until(lambda: relay.spools.held() == {"badges": 0})
                writer.close()
                await until(lambda: feed.stats.blank_lines)
    assert [(line.badge, line.gateway, line.reader, line.feed) for line in intake.badges] == [
        ("04A1", "library", "desk", "badges"),
        ("0042", "library", "desk", "badges"),
    ]
    assert names(intake) == [f"{BOOT}-1-1", f"{BOOT}-1-2"]
    assert feed.stats.refused == {"line-not-framed": 1, "line-too-long": 1}
    assert [one.name for one in intake.kept_aside] == [f"{BOOT}-1-3", f"{BOOT}-1-4"]
    assert all(one.received_us is not None for one in intake.kept_aside)
    assert (feed.stats.connections, feed.stats.events, feed.stats.blank_lines) == (1, {"stored": 2}, 1)
    assert feed.stats.forwarded_bytes == len(server.received)
    assert not feed.stats.relay_up


async def test_a_line_is_dated_by_how_long_ago_it_came_whatever_clock_the_relay_has(tmp_path: Path) -> None:
    server, intake = ReleaseServer(), MemoryIntake()

    def machine_us() -> int:
        """Since the machine started, as it were: 47 years before the daemon's dates."""
        return LoopClock(0).now_us()

    async with listening(server.serve) as target:
        settings = relay_settings(target)
        async with relaying(tmp_path, settings, now_us=machine_us) as relay:
            await there(tmp_path)
            _, writer = await connect(relay)
            began_us = LoopClock().now_us()
            writer.write(b"04A1\n")
            await until(lambda: relay.spools.held() == {"badges": 1})
            came_us = LoopClock().now_us()
            await asyncio.sleep(0.3)
            async with linked(tmp_path, intake, settings, shared_us=machine_us):
                await until(lambda: relay.spools.held() == {"badges": 0})
            writer.close()
    assert began_us - 1_000 <= intake.badges[0].received_us <= came_us + 1_000


async def test_what_came_while_no_daemon_was_there_is_handed_in_once(tmp_path: Path) -> None:
    server, intake = ReleaseServer(), MemoryIntake()
    async with listening(server.serve) as target:
        settings = relay_settings(target)
        async with relaying(tmp_path, settings) as relay:
            await there(tmp_path)
            _, writer = await connect(relay)
            writer.write(b"1\n2\n")
            await until(lambda: server.has(4))
            async with linked(tmp_path, intake, settings):
                await until(lambda: len(intake.badges) == 2)
                await until(lambda: relay.spools.held() == {"badges": 0})
            writer.write(b"3\n")
            await until(lambda: server.has(6))
            async with linked(tmp_path, intake, settings):
                await until(lambda: len(intake.badges) == 3)
                await until(lambda: relay.spools.held() == {"badges": 0})
            writer.close()
    assert [line.badge for line in intake.badges] == ["1", "2", "3"]


async def test_a_daemon_that_dies_between_storing_and_acknowledging_gets_the_line_again_by_its_name(
    tmp_path: Path,
) -> None:
    server, intake = ReleaseServer(), MemoryIntake()

    async def die_after_storing() -> None:
        if intake.badges:
            await asyncio.Event().wait()

    async with listening(server.serve) as target:
        settings = relay_settings(target)
        async with relaying(tmp_path, settings) as relay:
            await there(tmp_path)
            _, writer = await connect(relay)
            # Two connections' lines, so that one is stored while the other hangs in the intake.
            _, second = await connect(relay)
            writer.write(b"1\n")
            second.write(b"2\n")
            await until(lambda: server.received.count(b"\n") == 2)
            intake.before = die_after_storing
            async with linked(tmp_path, intake, settings):
                await until(lambda: relay.spools.held() == {"badges": 1})
            stored = names(intake)
            intake.before = MemoryIntake().before
            async with linked(tmp_path, intake, settings):
                await until(lambda: relay.spools.held() == {"badges": 0})
            for one in (writer, second):
                one.close()
    assert len(stored) == 1
    assert sorted(names(intake)) == sorted({f"{BOOT}-1-1", f"{BOOT}-2-1"})


async def test_a_journal_that_stores_nothing_for_a_while_loses_nothing(tmp_path: Path) -> None:
    server, intake = ReleaseServer(), MemoryIntake()
    tries = iter(range(1_000))

    async def before() -> None:
        if next(tries) < 3:
            raise JournalUnavailable("full")

    intake.before = before
    async with listening(server.serve) as target:
        settings = relay_settings(target)
        async with relaying(tmp_path, settings) as relay:
            await there(tmp_path)
            async with linked(tmp_path, intake, settings) as link:
                _, writer = await connect(relay)
                writer.write(b"1\n2\n")
                await until(lambda: server.has(4))
                await until(lambda: relay.spools.held() == {"badges": 0})
                writer.close()
                assert link.feeds["badges"].stats.lost_lines == 0
    assert [line.badge for line in intake.badges] == ["1", "2"]


async def test_what_the_intake_refuses_or_breaks_on_is_counted_and_not_sent_for_ever(tmp_path: Path) -> None:
    server, intake, errors = ReleaseServer(), MemoryIntake(), Errors()
    troubles = iter([BadFact("data.badge", "no"), ZeroDivisionError("inside"), None])

    async def before() -> None:
        trouble = next(troubles)
        if trouble is not None:
            raise trouble

    intake.before = before
    async with listening(server.serve) as target:
        settings = relay_settings(target)
        async with relaying(tmp_path, settings) as relay:
            await there(tmp_path)
            async with linked(tmp_path, intake, settings, errors=errors) as link:
                _, writer = await connect(relay)
                writer.write(b"1\n2\n3\n")
                await until(lambda: intake.badges and relay.spools.held() == {"badges": 0})
                writer.close()
                assert link.feeds["badges"].stats.refused == {"bad-member": 1, "internal": 1}
    assert [line.badge for line in intake.badges] == ["3"]
    assert [type(error) for _, error in errors] == [ZeroDivisionError]


async def test_lines_that_found_no_room_are_counted_and_reported_once(tmp_path: Path) -> None:
    server, intake, errors = ReleaseServer(), MemoryIntake(), Errors()
    async with listening(server.serve) as target:
        settings = relay_settings(target, held_lines_max=2)
        async with relaying(tmp_path, settings) as relay:
            await there(tmp_path)
            _, writer = await connect(relay)
            writer.write(b"1\n2\n3\n4\n5\n")
            await until(lambda: server.has(10))
            async with linked(tmp_path, intake, settings, errors=errors) as link:
                await until(lambda: link.feeds["badges"].stats.lost_lines == 3)
                await until(lambda: relay.spools.held() == {"badges": 0})
            async with linked(tmp_path, intake, settings) as again:
                writer.write(b"6\n")
                await until(lambda: len(intake.badges) == 3)
                await until(lambda: again.feeds["badges"].stats.connections_open)
                assert again.feeds["badges"].stats.lost_lines == 0, "the daemon before was told of them"
            writer.close()
    assert [line.badge for line in intake.badges] == ["1", "2", "6"]
    assert [type(error) for _, error in errors] == [LinesDropped]
    assert "3 badge lines" in str(errors[0][1])


async def test_a_relay_that_comes_late_goes_and_comes_back_is_found_and_reported_once_each_time(
    tmp_path: Path,
) -> None:
    server, intake, errors = ReleaseServer(), MemoryIntake(), Errors()
    async with listening(server.serve) as target:
        settings = relay_settings(target)
        async with linked(tmp_path, intake, settings, errors=errors) as link:
            feed = link.feeds["badges"]
            await until(lambda: errors)
            with pytest.raises(NotStarted):
                _ = feed.address
            for time in (1, 2):
                async with relaying(tmp_path, settings) as relay:
                    await until(lambda: feed.stats.relay_up)
                    _, writer = await connect(relay)
                    writer.write(b"%d\n" % time)
                    await until(lambda time=time: len(intake.badges) == time)  # type: ignore[misc]
                    writer.close()
                await until(lambda: not feed.stats.relay_up)
    assert {doing for doing, _ in errors} == {f"the relay at {tmp_path / 'relay.sock'}"}
    assert len(errors) == 3


async def test_many_lines_of_many_connections_keep_the_order_of_each(tmp_path: Path) -> None:
    server, intake = ReleaseServer(), MemoryIntake()
    async with listening(server.serve) as target:
        settings = relay_settings(target)
        async with relaying(tmp_path, settings) as relay:
            await there(tmp_path)
            async with linked(tmp_path, intake, settings):
                writers = [(await connect(relay))[1] for _ in range(8)]
                for number in range(200):
                    for place, writer in enumerate(writers):
                        writer.write(b"%d-%03d\n" % (place, number))
                await until(lambda: len(intake.badges) == 1_600 and relay.spools.held() == {"badges": 0})
                for writer in writers:
                    writer.close()
    for place in range(8):
        own = [line.badge for line in intake.badges if line.badge.startswith(f"{place}-")]
        assert own == sorted(own)
    assert len(set(names(intake))) == 1_600


@pytest.mark.parametrize(
    ("said", "text"),
    [
        (b"nonsense\n", "sent no message"),
        (encoded(Greeting(protocol=9, boot="b", relays={}, held={}, taken=False)), "speaks version 9"),
    ],
)
async def test_another_version_or_no_relay_at_all_is_said(tmp_path: Path, said: bytes, text: str) -> None:
    errors = Errors()
    left: list[Any] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(said)
        left.append(await reader.read())
        writer.close()

    with socket.socket(socket.AF_UNIX) as made:
        made.bind(str(tmp_path / "relay.sock"))
        other = await asyncio.start_unix_server(serve, sock=made)
        async with linked(tmp_path, MemoryIntake(), relay_settings("h:1"), errors=errors):
            await until(lambda: errors and left)
        other.close()
    assert text in str(errors[0][1])
