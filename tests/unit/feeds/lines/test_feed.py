"""Cutting, framing and queueing of badge lines, without sockets."""

from __future__ import annotations

import asyncio

import pytest

from pagereeve.domain.values.splitting import ANY_LINE_END, Line, LineSplitter, Spoilt
from pagereeve.feeds.lines.badge_text import BadgeFrame
from pagereeve.feeds.lines.chunks import Chunk, ChunkQueue
from pagereeve.feeds.lines.settings import LineFeedSettings
from pagereeve.feeds.refusals import Refusal
from pagereeve.ports.setting_types import HostPort


def contents(found: list[Line | Spoilt]) -> list[bytes | None]:
    """Lines by content, spoilt ones as None."""
    return [item.content if isinstance(item, Line) else None for item in found]


@pytest.mark.parametrize("terminator", [b"\r\n", b"\n", b"\r", b"\x03\x04"])
def test_lines_end_at_the_terminator_wherever_the_pieces_are_cut(terminator: bytes) -> None:
    stream = terminator.join([b"04A1", b"", b"0042", b""])
    for size in range(1, len(stream) + 1):
        splitter = LineSplitter(terminator, 16)
        found = [line for at in range(0, len(stream), size) for line in splitter.feed(stream[at : at + size])]
        assert contents(found) == [b"04A1", b"", b"0042"]
        assert not splitter.pending


def test_a_line_without_its_end_comes_out_when_the_sender_pauses() -> None:
    """fluent/fluentd#1270: no line feed at the end."""
    splitter = LineSplitter(b"\n", 16)
    assert splitter.feed(b"04A1") == []
    assert splitter.pending
    assert contents(splitter.flush()) == [b"04A1"]
    assert splitter.flush() == []


def test_a_terminator_cut_by_a_pause_makes_one_line() -> None:
    splitter = LineSplitter(b"\r\n", 16)
    splitter.feed(b"04A1\r")
    assert contents(splitter.flush()) == [b"04A1"]
    assert contents(splitter.feed(b"\n0042\r\n")) == [b"0042"]
    splitter.feed(b"04A1\r")
    splitter.flush()
    assert contents(splitter.feed(b"0042\r\n")) == [b"0042"]


@pytest.mark.parametrize("ends", [b"\r\n", b"\n", b"\r"])
@pytest.mark.parametrize("pausing", [False, True])
def test_each_connection_may_end_its_lines_its_own_way(ends: bytes, pausing: bool) -> None:
    stream = ends.join([b"04A1", b"", b"0042", b""])
    for size in range(1, len(stream) + 1):
        splitter = LineSplitter(ANY_LINE_END, 16)
        found = [line for at in range(0, len(stream), size) for line in splitter.feed(stream[at : at + size])]
        assert contents(found) == [b"04A1", b"", b"0042"]
        assert not splitter.pending
    splitter, found = LineSplitter(ANY_LINE_END, 16), []
    for byte in stream:
        found += splitter.feed(bytes([byte]))
        if pausing and byte in ends:
            found += splitter.flush()
    assert contents(found) == [b"04A1", b"", b"0042"]


def test_what_ends_a_line_is_set_only_where_the_same_bytes_may_be_part_of_it() -> None:
    plain = LineFeedSettings(name="badges", listen=HostPort("127.0.0.1", 0))
    assert plain.terminator_bytes is ANY_LINE_END
    assert plain.model_copy(update={"terminator": "none", "encoding": "latin-1"}).terminator_bytes is ANY_LINE_END
    assert plain.model_copy(update={"encoding": "hex"}).terminator_bytes == b"\r\n"
    assert plain.model_copy(update={"terminator": "lf", "suffix": "\r"}).terminator_bytes == b"\n"


def test_an_overlong_line_is_given_up_once_and_the_next_is_whole_again() -> None:
    """open-telemetry/otel-arrow#4100: a frame without end."""
    splitter = LineSplitter(b"\r\n", 8)
    found = [line for _ in range(1000) for line in splitter.feed(b"x" * 7)]
    found += splitter.feed(b"\r\n0042\r\n")
    assert contents(found) == [None, b"0042"]
    assert found[0] == Spoilt(b"x" * 8)


def test_the_longest_line_is_still_taken() -> None:
    splitter = LineSplitter(b"\r\n", 4)
    assert contents(splitter.feed(b"1234\r")) == []
    assert contents(splitter.feed(b"\n12345\r\n1234\r\n")) == [b"1234", None, b"1234"]


def test_without_a_terminator_only_pauses_end_lines() -> None:
    splitter = LineSplitter(b"", 8)
    assert splitter.feed(b"\x04\xa1\n") == []
    assert contents(splitter.flush()) == [b"\x04\xa1\n"]
    assert contents(splitter.feed(b"123456789")) == [None]
    assert splitter.feed(b"more") == []
    assert splitter.flush() == []
    splitter.feed(b"next")
    assert contents(splitter.flush()) == [b"next"]


@pytest.mark.parametrize(
    ("frame", "line", "badge"),
    [
        (BadgeFrame(), b"0042", "0042"),
        (BadgeFrame(), b" 0042 ", " 0042 "),
        (BadgeFrame(prefix=b"\x02", suffix=b"\x03"), b"\x0204A1\x03", "04A1"),
        (BadgeFrame(encoding="hex"), bytes.fromhex("1EA68671"), "1EA68671"),  # ISO/IEC 14443
        (BadgeFrame(encoding="hex", prefix=b"\x02"), b"\x02\x00\x0a", "000A"),
        (BadgeFrame(encoding="utf-8"), "né-1".encode(), "né-1"),
        (BadgeFrame(encoding="latin-1"), b"n\xe9-1", "né-1"),
    ],
)
def test_the_badge_is_what_stands_in_the_frame_unchanged(frame: BadgeFrame, line: bytes, badge: str) -> None:
    assert frame.badge_of(line) == badge


@pytest.mark.parametrize(
    ("frame", "line", "reason"),
    [
        (BadgeFrame(), b"04\xe9", "line-not-text"),
        (BadgeFrame(encoding="utf-8"), b"04\xc3(", "line-not-text"),
        (BadgeFrame(), b"04A1\r", "line-not-text"),
        (BadgeFrame(), b"04\x00A1", "line-not-text"),
        (BadgeFrame(prefix=b"\x02"), b"04A1", "line-not-framed"),
        (BadgeFrame(suffix=b"\x03"), b"04A1", "line-not-framed"),
        (BadgeFrame(prefix=b"aa", suffix=b"aa"), b"aaa", "line-not-framed"),
        (BadgeFrame(prefix=b"\x02", suffix=b"\x03"), b"\x02\x03", "line-not-framed"),
    ],
)
def test_a_line_of_another_form_is_refused_and_not_repeated(frame: BadgeFrame, line: bytes, reason: str) -> None:
    with pytest.raises(Refusal) as caught:
        frame.badge_of(line)
    assert caught.value.reason == reason
    assert "04" not in str(caught.value)


async def test_after_the_end_what_is_there_is_read_and_what_is_put_is_dropped() -> None:
    queue = ChunkQueue(most_bytes=400)
    assert await queue.put(b"x" * 100, 1)
    queue.end()
    assert not await queue.put(b"late", 2)
    assert (await queue.get(), queue.unread) == (Chunk(b"x" * 100, 1), 1)
    assert await queue.get() is None


async def test_a_waiting_writer_goes_on_when_there_is_room() -> None:
    queue = ChunkQueue(most_bytes=200)
    await queue.put(b"first", 1)
    second = asyncio.create_task(queue.put(b"second" * 20, 2))
    await asyncio.sleep(0)
    assert not second.done()
    first = await queue.get()
    await second
    after = await queue.get()
    assert first is not None
    assert after is not None
    assert (first.content, after.content) == (b"first", b"second" * 20)


async def test_lines_that_nobody_looked_at_are_counted_as_lines() -> None:
    queue = ChunkQueue(most_bytes=4096)
    await queue.put(b"".join(b"%04d\r\n" % number for number in range(40)), 1)
    await queue.put(b"04", 2)
    assert queue.unread == 41


async def test_many_tiny_pieces_are_bounded_too() -> None:
    queue = ChunkQueue(most_bytes=64 * 1024)
    put = 0

    async def fill() -> None:
        nonlocal put
        while True:
            await queue.put(b"x", 0)
            put += 1

    filling = asyncio.create_task(fill())
    await asyncio.sleep(0.05)
    filling.cancel()
    assert put < 600
