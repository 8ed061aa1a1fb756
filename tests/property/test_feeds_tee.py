"""However bytes are cut, whatever the intake does: the release server gets what was sent, and so does the gateway."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Final

import uvloop
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pagereeve.domain.values.errors import BadFact
from pagereeve.feeds.lines.feed import LineFeed, LineFeedConfig
from pagereeve.feeds.lines.tee import TeeTarget
from pagereeve.feeds.testing import LoopClock, MemoryIntake
from pagereeve.ports.journal import JournalUnavailable

PIECES = st.lists(st.binary(min_size=1, max_size=5000) | st.sampled_from([b"0042\n", b"04A1\r\n", b"\n"]), max_size=12)


async def _stuck() -> None:
    await asyncio.Event().wait()


async def _stubborn() -> None:
    try:
        await asyncio.sleep(0.2)
    except asyncio.CancelledError:
        await asyncio.sleep(0.05)
        raise


async def _broken() -> None:
    raise ZeroDivisionError


async def _refusing() -> None:
    raise BadFact("data.badge", "no")


async def _full() -> None:
    raise JournalUnavailable("full")


async def _slow() -> None:
    await asyncio.sleep(0.01)


async def _well() -> None:
    return


MOODS: Final[list[Callable[[], Awaitable[None]]]] = [_well, _slow, _stuck, _stubborn, _broken, _refusing, _full]


class Server:
    """A release server that answers in pieces of its own, and then ends."""

    def __init__(self, answers: list[bytes]) -> None:
        self.answers = answers
        self.received = b""

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        for answer in self.answers:
            writer.write(answer)
            await writer.drain()
        self.received = await reader.read()
        writer.close()


def deafen(feed: LineFeed, mood: str) -> None:
    """Make our own side's very first step fail as well: what looks at the bytes raises."""
    if mood == "raising":

        def look(*_: object) -> None:
            raise ZeroDivisionError

        feed._look = look  # type: ignore[method-assign, assignment]


async def passed_on(
    pieces: list[bytes], answers: list[bytes], before: Callable[[], Awaitable[None]], look: str, pending: int
) -> tuple[bytes, bytes, LineFeed]:
    """What the server and the gateway got."""
    server = Server(answers)
    listening = await asyncio.start_server(server.serve, "127.0.0.1", 0)
    host, port = listening.sockets[0].getsockname()
    config = LineFeedConfig(
        name="tee",
        gateway="gw",
        tee=TeeTarget(host, port),
        pending_max_bytes=pending,
        idle_flush_s=0.01,
        take_s=0.05,
        patience_s=0.05,
        stop_s=0.02,
    )
    feed = LineFeed(config, MemoryIntake(before=before), clock=LoopClock(), on_error=lambda *_: None)
    await feed.start()
    deafen(feed, look)
    reader, writer = await asyncio.open_connection(*feed.address)
    for piece in pieces:
        writer.write(piece)
        await asyncio.sleep(0)
    writer.write_eof()
    got = await asyncio.wait_for(reader.read(), 5)
    writer.close()
    await feed.stop()
    listening.close()
    return server.received, got, feed


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    pieces=PIECES,
    answers=PIECES,
    mood=st.sampled_from(MOODS),
    look=st.sampled_from(["well", "raising"]),
    pending=st.sampled_from([1, 300, 64 * 1024]),
    new_loop=st.sampled_from([asyncio.new_event_loop, uvloop.new_event_loop]),
)
def test_a_teed_stream_arrives_unchanged_in_both_directions(
    pieces: list[bytes],
    answers: list[bytes],
    mood: Callable[[], Awaitable[None]],
    look: str,
    pending: int,
    new_loop: Callable[[], asyncio.AbstractEventLoop],
) -> None:
    with asyncio.Runner(loop_factory=new_loop) as runner:
        received, got, feed = runner.run(passed_on(pieces, answers, mood, look, pending))
    assert received == b"".join(pieces)
    assert got == b"".join(answers)
    assert (feed.stats.tee_bytes, feed.stats.tee_back_bytes) == (len(received), len(got))
    assert (feed.stats.tee_broken, feed.stats.connections_open) == (0, 0)
