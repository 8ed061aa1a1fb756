"""What attacks.py lets loose on a daemon: each kind of attack, in a process of its own, for some seconds.

    python contrib/drill/attackers.py slow-head --http 127.0.0.1:8731 --lines 127.0.0.1:9130 --seconds 4

An attacker never waits for an answer that does not come, begins again when its connection is ended, and comes from a
few addresses of loopback, none of which is the calm sender's.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import resource
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass, field
from itertools import count
from typing import Final

import uvloop

Address = tuple[str, int]
Peer = tuple[asyncio.StreamReader, asyncio.StreamWriter]
CHUNK: Final = b"x" * 65_536
HOST: Final = b"Host: localhost\r\n"
POST: Final = b"POST /v1/events HTTP/1.1\r\n" + HOST + b"Content-Type: application/cloudevents+json\r\n"
CONNECT_S: Final = 2.0
PAUSE_S: Final = 0.005


@dataclass
class Target:
    """Whom to attack, with what (a token that is admitted), and how much."""

    http: Address
    lines: Address
    token: str
    connections: int = 1_500
    sources: int = 8
    numbers: Iterator[int] = field(default_factory=count)

    @property
    def authorization(self) -> bytes:
        return b"Authorization: Bearer " + self.token.encode() + b"\r\n"

    def source(self) -> str:
        return f"127.0.1.{next(self.numbers) % self.sources + 1}"

    async def connect(self, address: Address) -> Peer:
        async with asyncio.timeout(CONNECT_S):
            return await asyncio.open_connection(*address, local_addr=(self.source(), 0), limit=2**16)

    def event(self, size_bytes: int = 0) -> bytes:
        number = next(self.numbers)
        data = {"badge": f"{number:08x}", "gateway": "attacker", "reader": "x" * min(size_bytes, 60)}
        kind = "pagereeve.badge.presented.v1"
        members = {"specversion": "1.0", "id": f"a-{os.getpid()}-{number}", "source": "/attacker", "type": kind}
        return json.dumps(members | {"data": data, "pad": "y" * max(size_bytes - 60, 0)}).encode()

    def request(self, body: bytes, more: bytes = b"", head: bytes = POST) -> bytes:
        return head + more + b"Content-Length: %d\r\n\r\n" % len(body) + body


Work = Callable[[Target, Peer], Awaitable[None]]


async def again(target: Target, address: Address, work: Work) -> None:
    """One attacker of many: when its connection is ended, it makes another."""
    while True:
        with contextlib.suppress(OSError, asyncio.IncompleteReadError):
            peer = await target.connect(address)
            try:
                await work(target, peer)
            finally:
                peer[1].transport.abort()
        await asyncio.sleep(PAUSE_S)


async def many(target: Target, address: Address, work: Work, number: int) -> None:
    await asyncio.gather(*(again(target, address, work) for _ in range(number)))


async def pour(peer: Peer, start: bytes, piece: Callable[[], bytes], pause_s: float = 0.0) -> None:
    reader, writer = peer
    writer.write(start)
    while not reader.at_eof() and not writer.is_closing():
        writer.write(piece())
        await writer.drain()
        await asyncio.sleep(pause_s)


def endless(start: bytes, piece: Callable[[], bytes] = lambda: CHUNK, pause_s: float = 0.0) -> Work:
    async def work(_: Target, peer: Peer) -> None:
        await pour(peer, start, piece, pause_s)

    return work


async def slow_body(target: Target, peer: Peer) -> None:
    start = POST + target.authorization + b"Content-Length: 900\r\n\r\n{"
    await pour(peer, start, lambda: b" ", 0.1)


async def endless_body(target: Target, peer: Peer) -> None:
    start = POST + target.authorization + b"Transfer-Encoding: chunked\r\n\r\n"
    await pour(peer, start, lambda: b"10000\r\n" + CHUNK + b"\r\n")


async def trailers(target: Target, peer: Peer) -> None:
    start = POST + target.authorization + b"Transfer-Encoding: chunked\r\n\r\n0\r\n"
    await pour(peer, start, header_lines)


def header_lines() -> bytes:
    return b"".join(b"X-%d: 1\r\n" % number for number in range(4_000))


async def silent(_: Target, peer: Peer) -> None:
    await peer[0].read()


async def churn(_: Target, peer: Peer) -> None:
    peer[1].transport.abort()


async def pipelined(_: Target, peer: Peer) -> None:
    whole = (b"GET /healthz HTTP/1.1\r\n" + HOST + b"\r\n") * 500
    await pour(peer, b"", lambda: whole)


async def ask(peer: Peer, request: bytes) -> bytes:
    reader, writer = peer
    writer.write(request)
    head = await reader.readuntil(b"\r\n\r\n")
    length = next(line for line in head.lower().split(b"\r\n") if line.startswith(b"content-length"))
    return head + await reader.readexactly(int(length.split(b":")[1]))


async def unauthenticated(target: Target, peer: Peer) -> None:
    while True:
        await ask(peer, target.request(target.event(), b"Authorization: Bearer wrong\r\n"))


async def growth(target: Target, peer: Peer) -> None:
    while True:
        await ask(peer, target.request(target.event(900), target.authorization))


async def batches(target: Target, peer: Peer) -> None:
    kind = POST.replace(b"cloudevents+json", b"cloudevents-batch+json")
    while True:
        body = b"[" + b",".join(target.event() for _ in range(500)) + b"]"
        await ask(peer, target.request(body, target.authorization, kind))


async def unread(target: Target, peer: Peer) -> None:
    kind = POST.replace(b"cloudevents+json", b"cloudevents-batch+json")
    body = b"[" + b",".join([b"1"] * 900) + b"]"
    peer[1].transport.pause_reading()  # type: ignore[attr-defined]  # a stream's transport reads
    whole = target.request(body, target.authorization, kind)
    await pour(peer, b"", lambda: whole)


async def scrapes(target: Target, peer: Peer) -> None:
    while True:
        await ask(peer, b"GET /metrics HTTP/1.1\r\n" + HOST + target.authorization + b"\r\n")


async def lines(target: Target, peer: Peer) -> None:
    await pour(peer, b"", lambda: b"".join(b"%08x\r\n" % next(target.numbers) for _ in range(500)))


@dataclass(frozen=True)
class Attack:
    """``connections`` at once from ``sources`` addresses, each doing ``work`` again and again, at one of two ports."""

    work: Work
    connections: int
    at_lines: bool = False
    sources: int = 8


MANY: Final = 0  # as many as the command says
ATTACKS: Final[dict[str, Attack]] = {
    "endless-header-line": Attack(endless(POST + b"X: "), 4),
    "endless-request-line": Attack(endless(b"POST /v1/events?"), 4),
    "many-header-lines": Attack(endless(POST, header_lines), 4),
    "endless-trailers": Attack(trailers, 4),
    "slow-head": Attack(endless(POST + b"X: ", lambda: b"x", 0.1), 60),
    "slow-body": Attack(slow_body, 60),
    "endless-body": Attack(endless_body, 4),
    "silent-connections": Attack(silent, MANY),
    "connection-churn": Attack(churn, 16, sources=1),
    "pipelined-requests": Attack(pipelined, 4),
    "unauthenticated-flood": Attack(unauthenticated, 32),
    "journal-growth": Attack(growth, 16),
    "batches": Attack(batches, 4),
    "answers-unread": Attack(unread, 8),
    "scrapes": Attack(scrapes, 16),
    "silent-line-connections": Attack(silent, MANY, at_lines=True),
    "line-flood": Attack(lines, 8, at_lines=True),
}


async def attack(name: str, target: Target, seconds: float) -> None:
    one = ATTACKS[name]
    # Connections that are reset while nobody reads them are no news here.
    asyncio.get_running_loop().set_exception_handler(lambda *_: None)
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            target.sources = one.sources
            address = target.lines if one.at_lines else target.http
            await many(target, address, one.work, one.connections or target.connections)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("name", choices=ATTACKS)
    parser.add_argument("--http", required=True)
    parser.add_argument("--lines", required=True)
    parser.add_argument("--token", default="")
    parser.add_argument("--seconds", type=float, default=4.0)
    parser.add_argument("--connections", type=int, default=1_500)
    parser.add_argument("--nice", type=int, default=0)
    args = parser.parse_args()
    os.nice(args.nice)
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    http, feed = ((host, int(port)) for host, _, port in (one.rpartition(":") for one in (args.http, args.lines)))
    target = Target(http, feed, args.token, args.connections)
    with asyncio.Runner(loop_factory=uvloop.new_event_loop) as runner:
        runner.run(attack(args.name, target, args.seconds))


if __name__ == "__main__":
    main()
