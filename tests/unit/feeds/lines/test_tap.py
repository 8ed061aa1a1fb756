"""Lines of one connection on their way to the intake: each has its own instant, and what is lost is counted."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from dataclasses import dataclass, field
from typing import Any

import pytest

from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.splitting import LineSplitter
from pagereeve.feeds.lines.badge_text import BadgeFrame
from pagereeve.feeds.lines.chunks import CHUNK_COST_BYTES, ChunkQueue
from pagereeve.feeds.lines.hand_in import LineHandIn, LineOrigin
from pagereeve.feeds.lines.tap import LineReader
from pagereeve.feeds.stats import FeedStats
from pagereeve.ports.intake import Accepted, BadgeLine, Envelope, RefusedInput
from pagereeve.ports.journal import JournalUnavailable
from tests.unit.engine.virtual import VirtualClock, passing

FIRST_US = 1_000


@dataclass
class FakeIntake:
    """``troubles`` are raised first, one for each try; ``hangs``: so many tries get no answer."""

    troubles: list[Exception] = field(default_factory=list)
    hangs: int = 0
    lines: list[BadgeLine] = field(default_factory=list)
    refusals: list[RefusedInput] = field(default_factory=list)
    tries_s: list[float] = field(default_factory=list)
    unavailable: bool = False
    hangs_to_keep: bool = False

    async def badge_line(self, line: BadgeLine) -> Accepted:
        self.tries_s.append(asyncio.get_running_loop().time())
        if self.hangs:
            self.hangs -= 1
            await asyncio.sleep(3600)
        if self.unavailable:
            raise JournalUnavailable("the disk is full")
        if self.troubles:
            raise self.troubles.pop(0)
        self.lines.append(line)
        return Accepted("stored")

    async def refused(self, refused: RefusedInput) -> None:
        if self.unavailable:
            raise JournalUnavailable("the disk is full")
        if self.hangs_to_keep:
            await asyncio.sleep(3600)
        self.refusals.append(refused)

    async def take(self, envelope: Envelope, *, feed: str, wait_s: float | None, rest: bool = False) -> Accepted:
        raise NotImplementedError


@dataclass
class Tap:
    intake: FakeIntake = field(default_factory=FakeIntake)
    stats: FeedStats = field(default_factory=FeedStats)
    errors: list[str] = field(default_factory=list)
    chunks: ChunkQueue = field(default_factory=lambda: ChunkQueue(100_000))

    def __post_init__(self) -> None:
        hand_in = LineHandIn(
            LineOrigin("lines", "gw", "door", BadgeFrame()),
            self.intake,
            take_s=2.0,
            patience_s=10.0,
            clock=VirtualClock(),
            stats=self.stats,
            on_error=lambda what, error: self.errors.append(f"{what}: {error}"),
        )
        splitter = LineSplitter(b"\n", 64)
        self.reader = LineReader(self.chunks, splitter, hand_in, idle_flush_s=0.5, clock=VirtualClock())

    async def reads(self, *contents: bytes) -> None:
        for content in contents:
            await self.chunks.put(content, FIRST_US)
        self.chunks.end()
        await self.reader.run()

    @property
    def badges(self) -> list[str]:
        return [line.badge for line in self.intake.lines]


def story(work: Coroutine[Any, Any, None]) -> None:
    passing(work)


def test_lines_of_one_piece_have_an_instant_each_in_their_order_also_an_empty_one() -> None:
    async def script() -> None:
        tap = Tap()
        await tap.reads(b"A1\nA1\n\n", b"B2\n")
        assert [(one.badge, one.received_us) for one in tap.intake.lines] == [
            ("A1", FIRST_US), ("A1", FIRST_US + 1), ("B2", FIRST_US + 3)
        ]  # fmt: skip
        assert {(one.gateway, one.feed, one.reader) for one in tap.intake.lines} == {("gw", "lines", "door")}
        assert (tap.stats.events["stored"], tap.stats.blank_lines, tap.stats.lost_lines) == (3, 1, 0)

    story(script())


def test_a_full_disk_is_waited_out_and_the_line_is_submitted_once() -> None:
    async def script() -> None:
        tap = Tap(FakeIntake([JournalUnavailable("the disk is full")] * 4))
        await tap.reads(b"A1\nB2\n")
        assert tap.badges == ["A1", "B2"]
        # Pauses double: 0.1, 0.2, 0.4, 0.8 s.
        assert tap.intake.tries_s[:5] == pytest.approx([0, 0.1, 0.3, 0.7, 1.5])
        assert (tap.stats.lost_lines, tap.errors) == (0, [])

    story(script())


def test_a_journal_that_stays_full_costs_the_lines_that_were_waited_for_and_each_is_counted() -> None:
    async def script() -> None:
        tap = Tap(FakeIntake(unavailable=True))
        await tap.reads(b"A1\nB2\n")
        assert (tap.stats.lost_lines, tap.badges) == (2, [])
        assert [error.partition(": the disk")[0] for error in tap.errors] == [
            "feed lines: a line of gateway gw is lost"
        ] * 2
        first = [at_s for at_s in tap.intake.tries_s if at_s <= 16]
        # Tried for as long as the patience lasts, at most five seconds apart.
        assert first[:8] == pytest.approx([0, 0.1, 0.3, 0.7, 1.5, 3.1, 6.3, 11.3])

    story(script())


def test_an_intake_that_does_not_answer_is_asked_again() -> None:
    async def script() -> None:
        tap = Tap(FakeIntake(hangs=1))
        await tap.reads(b"A1\n")
        assert tap.badges == ["A1"]
        assert tap.intake.tries_s == pytest.approx([0, 2.1])
        assert tap.stats.lost_lines == 0

    story(script())


def test_a_line_that_is_being_submitted_when_the_feed_stops_is_counted_as_lost() -> None:
    async def script() -> None:
        tap = Tap(FakeIntake(hangs=1))
        task = asyncio.ensure_future(tap.reads(b"A1\n"))
        await asyncio.sleep(1)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert tap.stats.lost_lines == 1

    story(script())


@pytest.mark.parametrize(
    ("intake", "after_s"),
    [
        (FakeIntake(hangs=1), 1.0),
        # In a pause between two tries.
        (FakeIntake(unavailable=True), 0.25),
    ],
    ids=["submitting", "pausing"],
)
def test_whoever_stops_in_the_middle_of_a_piece_counts_the_lines_behind_it(intake: FakeIntake, after_s: float) -> None:
    """Those cut from the same piece, those in pieces that nobody looked at, and the one that was begun."""

    async def script() -> None:
        tap = Tap(intake)
        task = asyncio.ensure_future(tap.reads(b"A1\nB2\n\nC3\nD", b"4\nE5\n", b"F"))
        await asyncio.sleep(after_s)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert (tap.stats.lost_lines, tap.stats.blank_lines, tap.chunks.unread) == (6, 1, 0)
        assert tap.badges == []

    story(script())


def test_whoever_stops_between_two_lines_counts_what_was_begun() -> None:
    async def script() -> None:
        tap = Tap()
        task = asyncio.ensure_future(tap.reader.run())
        await tap.chunks.put(b"A1\nB", FIRST_US)
        await asyncio.sleep(0.1)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert (tap.badges, tap.stats.lost_lines) == (["A1"], 1)

    story(script())


def test_a_refusal_that_is_cut_off_is_counted_as_not_kept() -> None:
    async def script() -> None:
        tap = Tap(FakeIntake(hangs_to_keep=True))
        task = asyncio.ensure_future(tap.reads(b"\x01\nB2\n"))
        await asyncio.sleep(1)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert (tap.stats.refused["line-not-text"], tap.stats.unkept, tap.stats.lost_lines) == (1, 1, 1)

    story(script())


def test_what_a_writer_that_is_cut_off_has_read_is_kept_or_counted() -> None:
    async def script() -> None:
        chunks = ChunkQueue(10 + CHUNK_COST_BYTES)
        await chunks.put(b"12345", 1)
        writing = asyncio.ensure_future(chunks.put(b"6\n7\n8", 2))
        await asyncio.sleep(0.01)
        writing.cancel()
        await asyncio.wait({writing})
        assert chunks.unread == 4
        chunks.end()
        chunks.keep(b"9\n0", 3)
        assert chunks.unread == 6
        assert [one.received_us for one in chunks.drain()] == [1, 2]
        assert chunks.unread == 2

    story(script())


def test_a_line_that_the_intake_refuses_costs_that_line_alone() -> None:
    async def script() -> None:
        tap = Tap(FakeIntake([BadFact("line", "is no badge")]))
        await tap.reads(b"A1\nB2\n")
        assert tap.badges == ["B2"]
        assert (tap.stats.refused["bad-member"], tap.stats.lost_lines) == (1, 0)
        faulty = Tap(FakeIntake([RuntimeError("an invented fault")]))
        await faulty.reads(b"A1\nB2\n")
        assert faulty.badges == ["B2"]
        assert faulty.stats.refused["internal"] == 1
        assert faulty.errors == ["feed lines: a line of gateway gw: an invented fault"]

    story(script())


def test_what_makes_no_line_is_kept_aside_without_its_number() -> None:
    async def script() -> None:
        tap = Tap()
        await tap.reads(b"04A1\x01\n", b"9" * 80 + b"\n", b"A1\n")
        assert tap.badges == ["A1"]
        assert tap.stats.refused == {"line-not-text": 1, "line-too-long": 1}
        assert [(one.reason, one.gateway, one.reader) for one in tap.intake.refusals] == [
            ("line-not-text", "gw", "door"),
            ("line-too-long", "gw", "door"),
        ]
        assert tap.intake.refusals[0].sample == b"99x9\x01"
        assert set(tap.intake.refusals[1].sample) == {ord("9")}

    story(script())


def test_a_refusal_that_cannot_be_kept_is_counted() -> None:
    async def script() -> None:
        tap = Tap(FakeIntake(unavailable=True))
        await tap.reads(b"\x01\n")
        assert (tap.stats.unkept, tap.stats.refused["line-not-text"]) == (1, 1)

    story(script())


def test_a_line_without_its_end_is_taken_once_the_sender_pauses_or_hangs_up() -> None:
    async def script() -> None:
        tap = Tap()
        task = asyncio.ensure_future(tap.reader.run())
        await tap.chunks.put(b"A1", FIRST_US)
        await asyncio.sleep(0.4)
        assert tap.badges == []
        await asyncio.sleep(0.2)
        assert tap.badges == ["A1"]
        await tap.chunks.put(b"B2", FIRST_US + 100)
        await asyncio.sleep(0)
        tap.chunks.end()
        await task
        assert [(one.badge, one.received_us) for one in tap.intake.lines] == [("A1", FIRST_US), ("B2", FIRST_US + 100)]

    story(script())


@pytest.mark.parametrize(("more_bytes", "waits"), [(0, False), (1, True)])
def test_pieces_have_room_up_to_the_last_byte(more_bytes: int, waits: bool) -> None:
    async def script() -> None:
        chunks = ChunkQueue(10 + 2 * CHUNK_COST_BYTES)
        assert await chunks.put(b"12345", 1)
        second = asyncio.ensure_future(chunks.put(b"12345" + b"x" * more_bytes, 2))
        await asyncio.sleep(0.01)
        assert second.done() is not waits
        first = await chunks.get()
        assert first is not None
        assert (first.content, first.received_us) == (b"12345", 1)
        assert await second
        # A piece that is larger than all the room is taken where nothing else waits.
        await chunks.get()
        assert await chunks.put(b"x" * 10_000, 3)

    story(script())


def test_a_writer_waits_for_room_and_no_longer() -> None:
    async def script() -> None:
        chunks = ChunkQueue(10 + CHUNK_COST_BYTES)
        await chunks.put(b"12345", 1)
        task = asyncio.ensure_future(chunks.put(b"67890", 2))
        await asyncio.sleep(0.01)
        assert not task.done()
        assert (await chunks.get()) is not None
        await task
        assert chunks.unread == 1
        chunks.end()
        assert not await chunks.put(b"1", 3)
        assert (await chunks.get()) is not None
        assert await chunks.get() is None

    story(script())
