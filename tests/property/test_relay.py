"""However bytes are cut, whatever our own side does: the release server gets what was sent, and so does the gateway."""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Callable
from pathlib import Path

import uvloop
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pagereeve.relay.process import Relay
from tests.relaying import DaemonEnd, Reports, connect, listening, relay_settings, relaying

PIECES = st.lists(st.binary(min_size=1, max_size=5000) | st.sampled_from([b"0042\n", b"04A1\r\n", b"\n"]), max_size=12)
MOODS = ("away", "frozen", "hasty", "raising")


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


class Deaf:
    """Our own side's very first step fails: every look at the bytes raises."""

    def look(self, chunk: bytes, at_us: int) -> None:
        raise ZeroDivisionError

    def hold(self) -> None:
        raise ZeroDivisionError

    def go_on(self) -> None:
        raise ZeroDivisionError

    def end(self) -> None:
        raise ZeroDivisionError


def deafen(relay: Relay) -> None:
    listener = relay.listeners[0]
    welcome = listener._welcome
    listener._welcome = lambda passage, peer: welcome(passage, peer) and Deaf()  # type: ignore[method-assign]


async def daemon_in(mood: str, folder: Path) -> DaemonEnd | None:
    """Away: none. All others take, and never read; a hasty one hangs up after each piece."""
    if mood == "away":
        return None
    daemon, _ = await DaemonEnd.at(folder, "badges", window=4)
    return daemon


async def passed_on(
    pieces: list[bytes], answers: list[bytes], mood: str, held_lines_max: int
) -> tuple[bytes, bytes, Relay]:
    """What the server and the gateway got."""
    server = Server(answers)
    with tempfile.TemporaryDirectory() as folder:
        async with (
            listening(server.serve) as target,
            relaying(Path(folder), relay_settings(target, held_lines_max=held_lines_max), reports=Reports()) as relay,
        ):
            if mood == "raising":
                deafen(relay)
            daemon = await daemon_in(mood, Path(folder))
            reader, writer = await connect(relay)
            for piece in pieces:
                writer.write(piece)
                await asyncio.sleep(0)
                if mood == "hasty" and daemon is not None:
                    daemon.close()
                    daemon = await daemon_in(mood, Path(folder))
            writer.write_eof()
            got = await asyncio.wait_for(reader.read(), 5)
            writer.close()
            if daemon is not None:
                daemon.close()
    return server.received, got, relay


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    pieces=PIECES,
    answers=PIECES,
    mood=st.sampled_from(MOODS),
    held_lines_max=st.sampled_from([1, 3, 10_000]),
    new_loop=st.sampled_from([asyncio.new_event_loop, uvloop.new_event_loop]),
)
def test_a_stream_arrives_unchanged_in_both_directions_and_every_line_is_counted(
    pieces: list[bytes],
    answers: list[bytes],
    mood: str,
    held_lines_max: int,
    new_loop: Callable[[], asyncio.AbstractEventLoop],
) -> None:
    with asyncio.Runner(loop_factory=new_loop) as runner:
        received, got, relay = runner.run(passed_on(pieces, answers, mood, held_lines_max))
    counts = relay.listeners[0].counts
    assert received == b"".join(pieces)
    assert got == b"".join(answers)
    assert (counts.forwarded_bytes, counts.returned_bytes) == (len(received), len(got))
    assert (counts.broken, counts.connections_open) == (0, 0)
    if mood != "raising":
        assert counts.lines == relay.spools.held()["badges"] <= held_lines_max
