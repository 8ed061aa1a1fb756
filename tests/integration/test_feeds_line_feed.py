"""Badge lines over real sockets on loopback, where they end here."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from dataclasses import replace

import pytest

from pagereeve.domain.values.errors import BadFact
from pagereeve.feeds.acceptor import NotStarted
from pagereeve.feeds.admission import MOMENT_S
from pagereeve.feeds.lines.badge_text import BadgeFrame
from pagereeve.feeds.lines.feed import LineFeed, LineFeedConfig
from pagereeve.feeds.lines.settings import LineFeedSettings
from pagereeve.feeds.testing import LoopClock, MemoryIntake
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.setting_types import HostPort

CONFIG = LineFeedConfig(name="lines", gateway="gw-1", idle_flush_s=0.05, take_s=5.0, patience_s=5.0, stop_s=0.3)


class Errors(list[tuple[str, Exception]]):
    def __call__(self, doing: str, error: Exception) -> None:
        self.append((doing, error))


@contextlib.asynccontextmanager
async def feeding(
    config: LineFeedConfig, intake: MemoryIntake, errors: Errors | None = None
) -> AsyncIterator[LineFeed]:
    heard = Errors() if errors is None else errors
    feed = LineFeed(config, intake, clock=LoopClock(), on_error=heard)
    await feed.start()
    try:
        yield feed
    finally:
        await asyncio.wait_for(feed.stop(), 10)
    assert errors is not None or not heard
    assert feed.stats.connections_open == 0


async def until(condition: Callable[[], object]) -> None:
    async with asyncio.timeout(5):
        while not condition():  # noqa: ASYNC110 - conditions of all kinds, which have no event
            await asyncio.sleep(0.005)


async def connect(feed: LineFeed, source: str = "127.0.0.1") -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    return await asyncio.open_connection(*feed.address, local_addr=(source, 0))


def badges(intake: MemoryIntake) -> list[str]:
    return [line.badge for line in intake.badges]


async def test_each_line_is_handed_in_with_its_gateway_and_time() -> None:
    intake = MemoryIntake()
    async with feeding(CONFIG, intake) as feed:
        _, writer = await connect(feed)
        writer.write(b"04A1\n\n0042\n0042\n")
        await until(lambda: len(intake.badges) == 3)
        writer.close()
    assert badges(intake) == ["04A1", "0042", "0042"]
    assert {(line.gateway, line.feed) for line in intake.badges} == {("gw-1", "lines")}
    assert len({line.received_us for line in intake.badges}) == 3
    assert (feed.stats.blank_lines, feed.stats.events) == (1, {"stored": 3})


async def test_senders_that_end_lines_differently_share_a_feed() -> None:
    """Three gateways of 40 lines each: with one terminator for all, the lines of two of them were refused."""
    intake = MemoryIntake()
    line = LineFeedSettings(name="badges", listen=HostPort("127.0.0.1", 0), gateway="gw-1")
    async with feeding(replace(CONFIG, terminator=line.terminator_bytes), intake) as feed:
        writers = [(await connect(feed))[1] for _ in range(3)]
        for number in range(40):
            for writer, end in zip(writers, (b"\n", b"\r\n", b"\r"), strict=True):
                writer.write(f"{end.hex()}{number:04}".encode() + end)
                await writer.drain()
        await until(lambda: len(intake.badges) == 120)
        assert (feed.stats.telemetry().connections_open, feed.stats.telemetry().connections_max) == (3, 256)
        for writer in writers:
            writer.close()
    assert sorted(badges(intake)) == sorted(f"{end}{number:04}" for end in ("0a", "0d0a", "0d") for number in range(40))
    assert (feed.stats.refused, feed.stats.blank_lines) == ({}, 0)


@pytest.mark.parametrize("closing", [True, False])
async def test_a_line_without_its_end_is_taken_on_a_pause_and_on_close(closing: bool) -> None:
    """fluent/fluentd#1270: no line feed at the end."""
    intake = MemoryIntake()
    async with feeding(replace(CONFIG, idle_flush_s=30.0 if closing else 0.05), intake) as feed:
        _, writer = await connect(feed)
        writer.write(b"04A1")
        if closing:
            writer.close()
        await until(lambda: intake.badges)
        writer.close()
    assert badges(intake) == ["04A1"]


async def test_bad_and_overlong_lines_are_counted_and_the_next_is_taken() -> None:
    intake = MemoryIntake()
    async with feeding(replace(CONFIG, frame=BadgeFrame(prefix=b"\x02", suffix=b"\x03")), intake) as feed:
        _, writer = await connect(feed)
        writer.write(b"\x02caf\xe9\x03\n04A1\n" + b"9" * 100_000 + b"\n\x020042\x03\n")
        await until(lambda: intake.badges)
        writer.close()
    assert badges(intake) == ["0042"]
    assert feed.stats.refused == {"line-not-text": 1, "line-not-framed": 1, "line-too-long": 1}
    assert [kept.sample[:6] for kept in intake.kept_aside] == [b"\x02xxx\x80\x03", b"99x9", b"999999"]
    assert {kept.where for kept in intake.kept_aside} == {"gateway gw-1"}


async def test_a_gateway_is_known_by_its_address_and_goes_by_it_where_it_is_not() -> None:
    intake = MemoryIntake()
    for names, expected in (({"127.0.0.1": "library"}, "library"), ({}, "127.0.0.1")):
        async with feeding(replace(CONFIG, gateway=names), intake) as feed:
            _, writer = await connect(feed)
            writer.write(b"04A1\n")
            writer.close()
            await until(lambda: intake.badges)
        assert intake.badges.pop().gateway == expected


async def test_what_the_intake_refuses_or_breaks_on_stops_no_other_line() -> None:
    intake, errors = MemoryIntake(), Errors()
    troubles = iter([BadFact("data.badge", "no"), ZeroDivisionError("inside"), None])

    async def before() -> None:
        trouble = next(troubles)
        if trouble is not None:
            raise trouble

    intake.before = before
    async with feeding(CONFIG, intake, errors) as feed:
        _, writer = await connect(feed)
        writer.write(b"1\n2\n3\n")
        await until(lambda: intake.badges)
        writer.close()
    assert badges(intake) == ["3"]
    assert feed.stats.refused == {"bad-member": 1, "internal": 1}
    assert [type(error) for _, error in errors] == [ZeroDivisionError]


async def test_a_full_disk_is_waited_out_and_the_line_keeps_its_time() -> None:
    intake = MemoryIntake()
    tries = iter(range(100))

    async def before() -> None:
        if next(tries) < 2:
            raise JournalUnavailable("full")

    intake.before = before
    async with feeding(CONFIG, intake) as feed:
        _, writer = await connect(feed)
        writer.write(b"04A1\n")
        await until(lambda: feed.stats.bytes_in == 5)
        read_us = LoopClock().now_us()
        await until(lambda: intake.badges)
        writer.close()
    assert badges(intake) == ["04A1"]
    assert intake.badges[0].received_us <= read_us


async def test_a_line_that_can_not_be_stored_in_time_is_counted_as_lost_and_told() -> None:
    intake, errors = MemoryIntake(), Errors()

    async def before() -> None:
        raise JournalUnavailable("full")

    intake.before = before
    async with feeding(replace(CONFIG, patience_s=0.15), intake, errors) as feed:
        _, writer = await connect(feed)
        writer.write(b"04A1\n")
        await until(lambda: errors)
        writer.close()
    assert feed.stats.lost_lines == 1
    assert "04A1" not in repr(errors)


async def test_stopping_hands_in_what_was_read_and_ends_in_time() -> None:
    intake, errors = MemoryIntake(), Errors()

    async def slowly() -> None:
        await asyncio.sleep(0.01)

    intake.before = slowly
    async with feeding(CONFIG, intake, errors) as feed:
        _, writer = await connect(feed)
        writer.write(b"1\n2\n3\n")
        await until(lambda: feed.stats.bytes_in)
    assert badges(intake) == ["1", "2", "3"]
    writer.close()

    async def hang() -> None:
        await asyncio.Event().wait()

    intake.before = hang
    async with feeding(CONFIG, intake, errors) as feed:
        _, writer = await connect(feed)
        writer.write(b"4\n5\n")
        await until(lambda: feed.stats.bytes_in)
    assert feed.stats.lost_lines >= 1
    writer.close()


async def test_connections_beyond_the_limit_are_cut_and_counted() -> None:
    async with feeding(replace(CONFIG, connections_max=1), MemoryIntake()) as feed:
        _, first = await connect(feed)
        first.write(b"1\n")
        await until(lambda: feed.stats.events)
        reader, second = await connect(feed)
        with contextlib.suppress(ConnectionResetError):
            assert await asyncio.wait_for(reader.read(), 5) == b""
        assert feed.stats.connections_refused == {"full": 1}
        first.close()
        second.close()


async def test_silent_newcomers_shut_no_gateway_out_and_quiet_gateways_keep_their_connection() -> None:
    """The gateway that has sent a badge, and the one whose address is known, are never displaced."""
    config = replace(CONFIG, connections_max=8, peer_max=4, known_peers=frozenset({"127.0.0.2"}))
    intake = MemoryIntake()
    async with feeding(config, intake) as feed:
        _, known = await connect(feed, "127.0.0.2")
        _, sender = await connect(feed, "127.0.0.3")
        sender.write(b"1\n")
        await until(lambda: len(intake.badges) == 1)
        silent = [(await connect(feed, f"127.0.1.{number % 2 + 1}"))[1] for number in range(80)]
        await until(lambda: sum(feed.stats.connections_refused.values()) >= 72)
        await until(lambda: feed.stats.connections_open <= 8)
        known.write(b"2\n")
        sender.write(b"3\n")
        await asyncio.sleep(MOMENT_S)
        _, late = await connect(feed, "127.0.0.2")
        late.write(b"4\n")
        await until(lambda: len(intake.badges) == 4)
        assert {line.badge for line in intake.badges} == {"1", "2", "3", "4"}
        assert feed.stats.connections_refused["displaced"] >= 1
        for writer in (known, sender, late, *silent):
            writer.transport.abort()


async def test_one_address_has_its_share_of_a_feed() -> None:
    intake = MemoryIntake()
    async with feeding(replace(CONFIG, connections_max=8, peer_max=2), intake) as feed:
        writers = []
        for number in range(3):
            _, writer = await connect(feed, "127.0.0.9")
            writer.write(b"%d\n" % number)
            writers.append(writer)
            await until(lambda: feed.stats.bytes_in >= 2 * min(len(writers), 2))
            await asyncio.sleep(0.05)
        await until(lambda: feed.stats.connections_refused["peer-full"] == 1)
        _, other = await connect(feed)
        other.write(b"7\n")
        await until(lambda: len(intake.badges) == 3)
        for writer in (other, *writers):
            writer.transport.abort()


async def test_where_gateways_are_known_by_address_others_must_say_a_line_in_time() -> None:
    gateways = {"127.0.0.2": "gw-2"}
    config = replace(CONFIG, gateway=gateways, known_peers=frozenset(gateways), first_line_s=0.2)
    intake = MemoryIntake()
    async with feeding(config, intake) as feed:
        _, known = await connect(feed, "127.0.0.2")
        _, speaks = await connect(feed, "127.0.0.3")
        speaks.write(b"1\n")
        reader, silent = await connect(feed, "127.0.0.4")
        with contextlib.suppress(ConnectionResetError):
            assert await asyncio.wait_for(reader.read(), 5) == b""
        await asyncio.sleep(0.3)
        known.write(b"2\n")
        speaks.write(b"3\n")
        await until(lambda: len(intake.badges) == 3)
        assert feed.stats.connections_refused == {"silent": 1}
        for writer in (known, speaks, silent):
            writer.transport.abort()


async def test_a_feed_that_names_its_gateway_waits_all_night_for_a_badge() -> None:
    intake = MemoryIntake()
    async with feeding(replace(CONFIG, first_line_s=0.1), intake) as feed:
        _, writer = await connect(feed)
        await asyncio.sleep(0.4)
        writer.write(b"1\n")
        await until(lambda: len(intake.badges) == 1)
        writer.close()


async def test_an_address_is_there_only_once_started() -> None:
    feed = LineFeed(CONFIG, MemoryIntake(), clock=LoopClock(), on_error=Errors())
    with pytest.raises(NotStarted):
        _ = feed.address
    await feed.stop()


async def test_a_stuck_intake_makes_the_sender_wait_in_bounded_memory() -> None:
    intake = MemoryIntake()
    release = asyncio.Event()

    async def before() -> None:
        await release.wait()

    intake.before = before
    async with feeding(replace(CONFIG, pending_max_bytes=4096, take_s=30.0), intake) as feed:
        _, writer = await connect(feed)
        writer.write(b"0042\n" * 400_000)
        await asyncio.sleep(0.3)
        assert feed.stats.bytes_in < 200_000
        release.set()
        await until(lambda: len(intake.badges) > CONFIG.lines_burst)
        writer.transport.abort()
