"""Whatever bytes come to a door: it stands, and says so."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Sequence
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.values.splitting import ANY_LINE_END, Line, LineSplitter
from pagereeve.feeds.http import strict_json as strictjson
from pagereeve.feeds.http.endpoint import EventsEndpoint, HttpLimits
from pagereeve.feeds.lines.badge_text import BadgeFrame
from pagereeve.feeds.lines.chunks import ChunkQueue
from pagereeve.feeds.lines.hand_in import LineHandIn, LineOrigin
from pagereeve.feeds.lines.tap import LineReader
from pagereeve.feeds.refusals import Refusal
from pagereeve.feeds.stats import FeedStats
from pagereeve.feeds.testing import LoopClock, MemoryIntake

JSON_VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(1 - 2**53, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=5), inner, max_size=4),
    max_leaves=20,
)
CONTENT_TYPES = st.sampled_from(
    [
        b"application/cloudevents+json",
        b"application/cloudevents-batch+json",
        b"application/json",
        b"application/json; charset=utf-8",
        b"text/plain",
        b"",
    ]
) | st.binary(max_size=20)
EVENT = {
    "specversion": "1.0",
    "id": "e-1",
    "source": "/release",
    "type": "pagereeve.release.ended.v1",
    "data": {"release": "r-1", "outcome": "completed"},
}
HEADERS = st.lists(
    st.tuples(
        st.sampled_from(
            [b"ce-id", b"ce-source", b"ce-type", b"ce-specversion", b"ce-time", b"prefer", b"authorization"]
        ),
        st.binary(max_size=20) | st.sampled_from([b"1.0", b"pagereeve.release.ended.v1", b"wait=5", b'"\\"', b"%41"]),
    ),
    max_size=6,
)


async def answered(endpoint: EventsEndpoint, headers: Sequence[tuple[bytes, bytes]], body: bytes) -> tuple[int, Any]:
    """One request straight to the endpoint: its status, and the JSON of its body."""
    sent: list[Any] = []

    async def receive() -> Any:
        return {"type": "http.request", "body": body, "more_body": False}

    async def send(message: Any) -> None:
        sent.append(message)

    await endpoint({"type": "http", "method": "POST", "headers": headers}, receive, send)
    start, content = sent
    return start["status"], json.loads(content["body"])


@given(content_type=CONTENT_TYPES, headers=HEADERS, body=st.binary(max_size=300))
def test_any_bytes_over_http_get_an_answer_of_the_400s(
    content_type: bytes, headers: list[tuple[bytes, bytes]], body: bytes
) -> None:
    intake = MemoryIntake()
    endpoint = EventsEndpoint(intake, HttpLimits(), clock=LoopClock())
    status, answer = asyncio.run(answered(endpoint, [(b"content-type", content_type), *headers], body))
    assert 400 <= status < 500
    assert answer["type"].startswith("urn:pagereeve:problem:")
    assert not intake.envelopes
    assert endpoint.stats.refused.total() == 1


@given(members=st.dictionaries(st.sampled_from([*EVENT, "time", "subject", "data_base64"]), JSON_VALUES, max_size=3))
def test_an_event_with_any_member_replaced_is_taken_or_refused_by_name(members: dict[str, Any]) -> None:
    intake = MemoryIntake()
    endpoint = EventsEndpoint(intake, clock=LoopClock())
    body = json.dumps(EVENT | members).encode()
    structured = asyncio.run(answered(endpoint, [(b"content-type", b"application/cloudevents+json")], body))
    batch = asyncio.run(
        answered(endpoint, [(b"content-type", b"application/cloudevents-batch+json")], b"[" + body + b"]")
    )
    assert structured[0] in {200, 400, 422}
    assert (structured[0] == 200) == bool(intake.envelopes)
    if structured[0] != 200:
        assert structured[1]["where"]
    if batch[0] == 200:  # the body as a whole may be refused too: nested too deep, or a lone surrogate
        assert batch[1]["results"][0]["status"] == structured[0]
    else:
        assert structured[0] == batch[0] == 400


@given(body=st.binary(max_size=200) | st.text(max_size=200).map(lambda text: text.encode("utf-8", "surrogatepass")))
def test_any_bytes_are_json_or_refused(body: bytes) -> None:
    try:
        value = strictjson.parse(body)
    except Refusal as refusal:
        reason = refusal.reason
    else:
        reason = "bad-json"
        assert value == json.loads(body)
    assert reason == "bad-json"


@given(value=JSON_VALUES, ascii_only=st.booleans())
def test_strict_json_agrees_with_the_standard_reader(value: Any, ascii_only: bool) -> None:
    surrogate = any(0xD800 <= ord(letter) <= 0xDFFF for letter in json.dumps(value, ensure_ascii=False))
    body = json.dumps(value, ensure_ascii=ascii_only).encode("utf-8", "surrogatepass")
    try:
        assert strictjson.parse(body) == value
        assert not surrogate
    except Refusal:
        assert surrogate


def cut(stream: bytes, sizes: list[int]) -> list[bytes]:
    """``stream`` in pieces of ``sizes``, the last of which takes the rest."""
    pieces, at = [], 0
    for size in sizes:
        pieces.append(stream[at : at + size])
        at += size
    return [*pieces, stream[at:]]


@given(
    stream=st.binary(max_size=200) | st.text("ab\r\n", max_size=200).map(str.encode),
    sizes=st.lists(st.integers(0, 20), max_size=30),
    terminator=st.sampled_from([b"\r\n", b"\n", b"\r", b"aba", ANY_LINE_END]),
    line_max_bytes=st.integers(1, 20),
)
def test_lines_do_not_depend_on_how_the_stream_is_cut(
    stream: bytes, sizes: list[int], terminator: bytes | None, line_max_bytes: int
) -> None:
    splitter = LineSplitter(terminator, line_max_bytes)
    found = [line for piece in cut(stream, sizes) for line in splitter.feed(piece)]
    ended = stream.split(terminator) if terminator else re.split(rb"\r\n|\r|\n", stream)
    whole = ended[:-1]
    expected = [line if len(line) <= line_max_bytes else None for line in whole]
    lines = [line.content if isinstance(line, Line) else None for line in found]
    # A last line that is too long already has been given up before its end came.
    assert lines in (expected, [*expected, None])


@settings(deadline=None)
@given(stream=st.binary(max_size=400), sizes=st.lists(st.integers(0, 40), max_size=20), framed=st.booleans())
def test_any_bytes_to_a_line_feed_are_taken_or_counted(stream: bytes, sizes: list[int], framed: bool) -> None:
    intake, stats = MemoryIntake(), FeedStats()

    def fail(doing: str, error: Exception) -> None:
        raise AssertionError(doing) from error

    async def run() -> None:
        chunks = ChunkQueue(1 << 20)
        frame = BadgeFrame(prefix=b"\x02") if framed else BadgeFrame()
        origin = LineOrigin("f", "g", "", frame)
        hand_in = LineHandIn(origin, intake, take_s=1, patience_s=1, clock=LoopClock(), stats=stats, on_error=fail)
        tap = LineReader(chunks, LineSplitter(b"\n", 32), hand_in, idle_flush_s=1, clock=LoopClock())
        for piece in cut(stream, sizes):
            assert await chunks.put(piece, 1)
        chunks.end()
        await tap.run()

    asyncio.run(run())
    lines = stream.split(b"\n")
    assert stats.blank_lines == sum(not line for line in lines[:-1])
    assert len(intake.badges) + stats.refused.total() == sum(bool(line) for line in lines)
    assert len(intake.kept_aside) == stats.refused.total()
