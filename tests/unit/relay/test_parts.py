"""The relay's spool, its reports and its log, each alone."""

from __future__ import annotations

import io
import os
import threading
from itertools import count

import pytest

from pagereeve.ports.relay_link import BadMessage, Done, RelayedLine, decoded, encoded
from pagereeve.relay.counts import Counts
from pagereeve.relay.log_stream import LogStream
from pagereeve.relay.reports import SparingReport
from pagereeve.relay.spool import BYTES_MAX, Held, Spool


def held(line: int, content: bytes = b"0042", peer: str = "192.0.2.1") -> Held:
    return Held(peer, 1, line, 1_000 + line, content)


def spool_of(lines_max: int = 100) -> Spool:
    return Spool("badges", lines_max, Counts(), count(1))


def lines_of(spool: Spool) -> list[int]:
    found = []
    while (line := spool.next()) is not None:
        found.append(line.line)
    return found


def test_what_was_not_acknowledged_comes_again_in_its_old_order() -> None:
    spool = spool_of()
    for number in range(1, 6):
        spool.add(held(number))
    assert lines_of(spool) == [1, 2, 3, 4, 5]
    spool.done(2)
    spool.done(4)
    spool.add(held(6))
    spool.take_back()
    assert lines_of(spool) == [1, 3, 5, 6]
    assert (len(spool), spool.in_flight) == (4, 4)


def test_there_is_a_limit_in_lines_and_one_in_bytes_and_what_is_beyond_is_counted() -> None:
    spool = spool_of(lines_max=3)
    for number in range(1, 6):
        spool.add(held(number))
    assert (len(spool), spool.counts.lines, spool.counts.dropped_lines) == (3, 3, 2)
    large = spool_of(lines_max=1_000_000)
    content = bytes(65_536)
    for number in range(1, 2_000):
        large.add(held(number, content))
    assert len(large) < BYTES_MAX // len(content)
    assert large.counts.dropped_lines == 1_999 - len(large)
    for _ in range(len(large)):
        line = large.next()
        assert line is not None
        large.done(line.number)
    large.add(held(2_000, content))
    assert len(large) == 1


def test_a_gateway_that_floods_costs_another_neither_a_line_nor_its_turn() -> None:
    spool = spool_of(lines_max=10)
    for number in range(1, 31):
        spool.add(held(number))
    for number in range(101, 104):
        spool.add(held(number, peer="192.0.2.2"))
    # Its newest made room, and it is still the one that waits longest.
    assert (len(spool), spool.counts.dropped_lines) == (10, 23)
    first = lines_of(spool)
    assert first == [1, 101, 2, 102, 3, 103, 4, 5, 6, 7]
    spool.take_back()
    assert sorted(lines_of(spool)) == sorted(first)


def test_two_gateways_that_flood_have_the_same_part_and_one_byte_more_is_no_way_round_it() -> None:
    spool = spool_of(lines_max=10)
    for number in range(1, 51):
        spool.add(held(number))
        spool.add(held(100 + number, peer="192.0.2.2"))
    assert sorted(lines_of(spool)) == [1, 2, 3, 4, 5, 101, 102, 103, 104, 105]
    large = spool_of(lines_max=1_000_000)
    for number in range(1, 2_000):
        large.add(held(number, bytes(65_536)))
    large.add(held(2_000, bytes(65_536), peer="192.0.2.2"))
    assert 2_000 in lines_of(large)


def test_figures_say_what_grew_since_they_were_acknowledged() -> None:
    spool = spool_of()
    assert spool.figures() is None
    spool.counts.broken += 2
    first = spool.figures()
    assert first is not None
    assert (first.totals["broken"], first.told["broken"]) == (2, 0)
    assert spool.figures() is None, "one at a time"
    spool.take_back()
    again = spool.figures()
    assert again is not None
    assert again.told["broken"] == 0, "nobody acknowledged it"
    spool.done(again.number)
    assert spool.figures() is None
    spool.counts.broken += 1
    later = spool.figures()
    assert later is not None
    assert (later.totals["broken"], later.told["broken"]) == (3, 2)


def test_a_message_survives_the_socket_whatever_bytes_are_in_it() -> None:
    line = RelayedLine(
        number=7, relay="badges", peer="::1", connection=3, line=9, at_us=1, content=bytes(range(256)), too_long=True
    )
    assert decoded(encoded(line)) == line
    assert encoded(line).count(b"\n") == 1
    assert "0042" not in repr(line.model_copy(update={"content": b"0042"}))


@pytest.mark.parametrize(
    "said", [b"", b"{}", b'{"type":"line"}', b'{"type":"done","numbers":["0042-secret"]}', b"\xff"]
)
def test_nonsense_is_refused_and_not_repeated(said: bytes) -> None:
    with pytest.raises(BadMessage) as caught:
        decoded(said)
    assert "0042" not in str(caught.value)


def test_a_done_of_too_many_numbers_is_refused() -> None:
    with pytest.raises(BadMessage):
        decoded(Done.model_construct(numbers=tuple(range(10_001))).model_dump_json().encode())


def test_the_same_thing_is_said_every_ten_seconds_with_how_often_it_happened() -> None:
    said: list[tuple[str, str, int]] = []
    instants = iter((0.0, 1.0, 2.0, 9.9, 10.0, 10.0))
    report = SparingReport(lambda what, why, left_out: said.append((what, why, left_out)), lambda: next(instants))
    for _ in range(5):
        report("broken", ConnectionResetError(104, "Connection reset by peer"))
    report("other", ValueError("a line of 0042"))
    assert said == [
        ("broken", "Connection reset by peer", 0),
        ("broken", "Connection reset by peer", 3),
        ("other", "ValueError", 0),
    ]


def test_a_log_whose_reader_is_stuck_holds_up_nobody() -> None:
    reading, writing = os.pipe()
    with os.fdopen(writing, "w") as stream, os.fdopen(reading) as reader:
        log = LogStream(stream)
        for _ in range(5_000):
            log.write("x" * 100 + "\n")
        assert log.dropped > 1_000
        lines: list[str] = []
        thread = threading.Thread(target=lambda: lines.extend(reader))
        thread.start()
        log.close(within_s=10.0)
        stream.close()
        thread.join()
    assert any("log lines were dropped" in line for line in lines)


def test_a_log_on_a_full_disk_is_no_error() -> None:
    class Full(io.StringIO):
        def write(self, _text: str) -> int:
            raise OSError(28, "No space left on device")

    log = LogStream(Full())
    log.write("one\n")
    log.close(within_s=5.0)
    assert log.dropped == 1
