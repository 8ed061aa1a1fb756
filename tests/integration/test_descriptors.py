"""The daemon without descriptors to spare: an accept that fails costs a pause, and no endpoint closes for good."""

from __future__ import annotations

import asyncio
import os
import resource
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

from pagereeve.feeds.acceptor import PAUSE_S
from pagereeve.feeds.lines.feed import LineFeed, LineFeedConfig
from pagereeve.feeds.testing import LoopClock, MemoryIntake


@contextmanager
def no_descriptors() -> Iterator[ExitStack]:
    """None is left until the stack is closed."""
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    with ExitStack() as stack:
        resource.setrlimit(resource.RLIMIT_NOFILE, (min(300, before[0]), before[1]))
        stack.callback(resource.setrlimit, resource.RLIMIT_NOFILE, before)
        try:
            while True:
                stack.callback(os.close, os.open(os.devnull, os.O_RDONLY))
        except OSError:
            yield stack


async def test_an_accept_without_a_descriptor_is_counted_and_tried_again() -> None:
    errors: list[tuple[str, Exception]] = []
    intake = MemoryIntake()
    config = LineFeedConfig(name="lines", gateway="gw-1", idle_flush_s=0.05)
    feed = LineFeed(config, intake, clock=LoopClock(), on_error=lambda *error: errors.append(error))
    await feed.start()
    with socket.create_connection(feed.address) as first, socket.create_connection(feed.address) as second:
        first.send(b"0042\n")
        second.send(b"0043\n")
        with no_descriptors():
            begun_s = time.process_time()
            await asyncio.sleep(6 * PAUSE_S)
            assert time.process_time() - begun_s < 2 * PAUSE_S
            assert 2 <= feed.stats.connections_refused["no-descriptors"] <= 8
            assert intake.badges == []
        async with asyncio.timeout(5):
            while len(intake.badges) < 2:  # noqa: ASYNC110 - a list has no event
                await asyncio.sleep(0.01)
    await feed.stop()
    assert errors == []
