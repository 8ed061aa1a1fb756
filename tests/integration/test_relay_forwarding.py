"""What passes a relay over real sockets on loopback: unaltered, both ways, whatever our own side does."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from pagereeve.domain.values.splitting import LineSplitter
from pagereeve.relay.copying import LineCopy
from pagereeve.relay.counts import Counts
from pagereeve.relay.forwarding import Patience
from pagereeve.relay.process import Relay
from pagereeve.relay.spool import Spools
from tests.relaying import ReleaseServer, Reports, connect, listening, loop_us, relay_settings, relaying, until


async def test_a_stream_is_passed_both_ways_and_copied(tmp_path: Path) -> None:
    server = ReleaseServer(answer=lambda piece: b"OK " + piece)
    async with listening(server.serve) as target, relaying(tmp_path, relay_settings(target)) as relay:
        reader, writer = await connect(relay)
        writer.write(b"04A1\n")
        assert await asyncio.wait_for(reader.readexactly(8), 5) == b"OK 04A1\n"
        writer.write(b"\x00\xff\n\n0042\n")
        writer.write_eof()
        assert await asyncio.wait_for(reader.read(), 5) == b"OK \x00\xff\n\n0042\n"
        writer.close()
        counts = relay.listeners[0].counts
        assert (counts.forwarded_bytes, counts.returned_bytes, counts.broken) == (14, 20, 0)
        assert (counts.lines, counts.blank_lines, counts.dropped_lines) == (3, 1, 0)
    assert server.received == b"04A1\n\x00\xff\n\n0042\n"


async def test_a_line_is_dated_before_the_release_server_can_have_it(tmp_path: Path) -> None:
    """Else a release that the badge lets go would begin before its badge."""
    server, forwarded_when_dated = ReleaseServer(), []

    def now_us() -> int:
        forwarded_when_dated.append(relay.listeners[0].counts.forwarded_bytes)
        return loop_us()

    async with listening(server.serve) as target, relaying(tmp_path, relay_settings(target), now_us=now_us) as relay:
        _, writer = await connect(relay)
        for number in range(1, 4):
            writer.write(b"1\n")
            await until(partial(server.has, 2 * number))
        writer.close()
    assert forwarded_when_dated == [0, 2, 4]


async def test_a_server_that_speaks_first_and_hangs_up_first_is_passed_on(tmp_path: Path) -> None:
    late = bytearray()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"welcome")
        writer.write_eof()
        late.extend(await reader.read())
        writer.close()

    async with listening(serve) as target, relaying(tmp_path, relay_settings(target)) as relay:
        reader, writer = await connect(relay)
        assert await asyncio.wait_for(reader.read(), 5) == b"welcome"
        writer.write(b"0042\n")
        writer.write_eof()
        await until(lambda: late)
        writer.close()
    assert late == b"0042\n"


async def test_a_gateway_that_sends_a_line_and_hangs_up_at_once_is_passed_on(tmp_path: Path) -> None:
    server = ReleaseServer()
    async with listening(server.serve) as target, relaying(tmp_path, relay_settings(target)) as relay:
        for _ in range(20):
            _, writer = await connect(relay)
            writer.write(b"0042\n")
            writer.close()
        await until(lambda: server.has(100))
        await until(lambda: relay.listeners[0].counts.connections_open == 0)
        assert relay.listeners[0].counts.broken == 0


async def test_an_unreachable_server_closes_the_gateway_but_the_line_is_copied(tmp_path: Path) -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        reports = Reports()
        target = f"127.0.0.1:{unused.getsockname()[1]}"
        async with relaying(tmp_path, relay_settings(target), reports=reports) as relay:
            reader, writer = await connect(relay)
            writer.write(b"04A1\n")
            assert await asyncio.wait_for(reader.read(), 5) == b""
            writer.close()
            counts = relay.listeners[0].counts
            assert (counts.unreachable, counts.lines, counts.forwarded_bytes) == (1, 1, 0)
    assert [what for what, error in reports if error is not None] == [
        "relay badges: the release server could not be reached"
    ]


def reset(writer: asyncio.StreamWriter) -> None:
    found = writer.get_extra_info("socket")
    found.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    writer.transport.abort()


async def test_a_reset_on_one_side_resets_the_other(tmp_path: Path) -> None:
    ends: list[Any] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if await reader.read(1) == b"1":
            reset(writer)
            return
        try:
            ends.append(await reader.read())
        except ConnectionResetError as error:
            ends.append(error)
        writer.close()

    async with listening(serve) as target, relaying(tmp_path, relay_settings(target)) as relay:
        reader, writer = await connect(relay)
        writer.write(b"1")
        with pytest.raises(ConnectionResetError):
            await asyncio.wait_for(reader.read(), 5)
        writer.close()
        _, writer = await connect(relay)
        writer.write(b"2")
        await until(lambda: relay.listeners[0].counts.forwarded_bytes == 2)
        await asyncio.sleep(0.1)  # acknowledged by the other end's kernel: nothing is on the way any more
        reset(writer)
        await until(lambda: ends)
        assert relay.listeners[0].counts.broken == 2
    assert [type(end) for end in ends] == [ConnectionResetError]


async def test_what_a_gateway_sent_before_its_reset_arrives_at_a_slow_server(tmp_path: Path) -> None:
    server = ReleaseServer()
    server.read.clear()
    async with (
        listening(server.serve, kernel_bytes=131_072) as target,
        relaying(tmp_path, relay_settings(target)) as relay,
    ):
        counts = relay.listeners[0].counts
        _, writer = await connect(relay)
        writer.write(b"0042\n" * 2_000_000)
        # Until the kernel takes no more: before that nothing is unsent, and a reset is passed on at once.
        async with asyncio.timeout(100):
            while not _waits_to_send(relay):  # noqa: ASYNC110 - it has no event
                await asyncio.sleep(0.01)
        held = counts.forwarded_bytes
        reset(writer)
        await asyncio.sleep(0.2)
        server.read.set()
        await asyncio.wait_for(server.ended.wait(), 10)
        assert len(server.received) >= held


def _waits_to_send(relay: Relay) -> bool:
    [passage] = relay.listeners[0]._passages or [None]
    return passage is not None and passage.server.opened and passage.server.transport.get_write_buffer_size() > 0


async def test_a_slow_server_slows_the_gateway_and_gets_every_byte(tmp_path: Path) -> None:
    """Back-pressure passes through: nothing is piled up in between."""
    server = ReleaseServer()
    server.read.clear()
    sent = bytes(range(256)) * 80_000
    async with listening(server.serve) as target, relaying(tmp_path, relay_settings(target)) as relay:
        counts = relay.listeners[0].counts
        _, writer = await connect(relay)
        writer.write(sent)
        held = -1
        async with asyncio.timeout(20):
            while held != counts.forwarded_bytes:
                held = counts.forwarded_bytes
                await asyncio.sleep(0.5)
        assert held < len(sent)
        server.read.set()
        writer.write_eof()
        await asyncio.wait_for(server.ended.wait(), 20)
        writer.close()
    assert server.received == sent


async def test_a_look_that_breaks_is_reported_and_stops_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(LineCopy, "look", broken)
    server, reports = ReleaseServer(), Reports()
    async with (
        listening(server.serve) as target,
        relaying(tmp_path, relay_settings(target), reports=reports) as relay,
    ):
        _, writer = await connect(relay)
        writer.write(b"04A1\n")
        await until(lambda: server.has(5))
        writer.close()
    assert {type(error) for _, error in reports} == {ZeroDivisionError}


async def test_silent_connections_make_room_and_one_address_can_not_take_all(tmp_path: Path) -> None:
    server, reports = ReleaseServer(), Reports()
    async with (
        listening(server.serve) as target,
        relaying(
            tmp_path,
            relay_settings(target, connections_max=3, connections_per_peer_max=2),
            reports=reports,
        ) as relay,
    ):
        counts = relay.listeners[0].counts
        speaker = await connect(relay)
        speaker[1].write(b"1\n")
        await until(lambda: server.has(2))
        silent = await connect(relay)
        await until(lambda: counts.connections_open == 2)
        second = await connect(relay)
        with contextlib.suppress(ConnectionResetError):
            assert await asyncio.wait_for(silent[0].read(), 5) == b""
        second[1].write(b"2\n")
        await until(lambda: server.has(4))
        refused = await connect(relay)
        with contextlib.suppress(ConnectionResetError):
            assert await asyncio.wait_for(refused[0].read(), 5) == b""
        assert (counts.connections, counts.connections_pushed_out, counts.connections_refused) == (4, 1, 1)
        speaker[1].write(b"3\n")
        await until(lambda: server.has(6))
        for _, writer in (speaker, silent, second, refused):
            writer.close()
    assert [what for what, _ in reports][:1] == ["relay badges: a connection was refused, there are too many"]


async def test_a_direction_that_goes_on_for_ever_after_the_other_ended_is_broken(tmp_path: Path) -> None:
    server = ReleaseServer()
    server.read.clear()
    async with (
        listening(server.serve) as target,
        relaying(tmp_path, relay_settings(target), patience=Patience(half_closed_s=0.2)) as relay,
    ):
        reader, writer = await connect(relay)
        writer.write_eof()
        with pytest.raises(ConnectionResetError):
            await asyncio.wait_for(reader.read(), 5)
        assert relay.listeners[0].counts.broken == 1
        server.read.set()
        writer.close()


async def test_an_address_that_is_taken_is_had_once_it_is_free_and_the_others_work(tmp_path: Path) -> None:
    server, reports = ReleaseServer(), Reports()
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        place = f"127.0.0.1:{taken.getsockname()[1]}"
        async with listening(server.serve) as target:
            settings = relay_settings(target), relay_settings(target, name="second", listen=place)
            async with relaying(tmp_path, *settings, reports=reports) as relay:
                _, writer = await connect(relay)
                writer.write(b"1\n")
                await until(lambda: server.has(2))
                writer.close()
                assert relay.listeners[1].address is None
                taken.close()
                await until(lambda: relay.listeners[1].address)
    assert reports[0][0] == f"relay second: can't listen on {place}"


async def test_a_pause_that_we_make_cuts_no_line_and_one_of_the_gateway_does() -> None:
    spools = Spools()
    spool = spools.open("badges", 10, Counts())
    copy = LineCopy(LineSplitter(b"\n", 64), spool, spools, peer="::1", connection=1, idle_flush_s=0.02)
    copy.look(b"04A", 1)
    copy.hold()
    await asyncio.sleep(0.1)
    copy.go_on()
    copy.look(b"1\n00", 2)
    await asyncio.sleep(0.1)
    assert [line.content for line in iter(spool.next, None)] == [b"04A1", b"00"]
