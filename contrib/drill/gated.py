"""Gated notices without number at one silent printer cost the others nothing.

A daemon as a process of its own, as in attacks.py, with one printer that answers and one that is silent. A calm release
server sends a gated start notice (Prefer: wait=5) for the healthy printer ten times a second, alone and while a process
of its own sends 4,000 gated ones (Prefer: wait=30) for the silent printer over 200 connections, as fast as they are
answered. Shown is how long the calm ones wait for their reading, which each of them must get, and how long the silent
printer's notices wait for their answer. All must be stored, and the healthy meter be read all the time.

    python contrib/drill/gated.py                    # 4,000 notices, five times over: 3 minutes
    python contrib/drill/gated.py --rounds 1
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import sys
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any, Final

import attackers
import attacks

from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.reads import SqlReads

NOTICES: Final = 4_000
CONNECTIONS: Final = 200
EVERY_S: Final = 0.1
ALONE_S: Final = 6.0
CALM_WAIT_S: Final = 5
SILENT_WAIT_S: Final = 30
ALL_ANSWERED_MAX_S: Final = 120.0
CALM_TOKEN: Final = attacks.CALM_TOKENS[0]
# The quota of one token is not what is tried here.
TOKENS: Final = attacks.CALM_TOKENS[1:33]
STARTED: Final = "pagereeve.release.started.v1"


@dataclass
class Round:
    """Seconds until each calm notice had its reading, alone and beside; and until each of the others was answered."""

    alone_s: list[float] = field(default_factory=list)
    beside_s: list[float] = field(default_factory=list)
    silent_s: list[float] = field(default_factory=list)
    took_s: float = 0.0

    @property
    def ratio(self) -> float:
        return attacks.p99(self.beside_s) / max(attacks.p99(self.alone_s), attacks.FLOOR_S)

    def __str__(self) -> str:
        calm = f"{attacks.p99(self.alone_s) * 1e3:8.1f} {attacks.p99(self.beside_s) * 1e3:8.1f} {self.ratio:6.2f}"
        return f"{len(self.silent_s):6} {self.took_s:7.1f} {attacks.p99(self.silent_s):8.1f} {calm}"


HEAD: Final = f"{'silent':>6} {'in s':>7} {'p99 s':>8} {'calm ms':>8} {'beside':>8} {'ratio':>6}"


class Site(attacks.Site):
    """``healthy`` and ``silent`` are names of printers; ``sent`` counts notices by printer."""

    healthy, silent = "fleet-0001", "fleet-0002"
    sent = 0
    silent_sent = 0

    def hush(self) -> None:
        self.fleet.printers[self.silent].silent = True

    async def round(self, notices: int = NOTICES, connections: int = CONNECTIONS) -> Round:
        seen = Round()
        await self._calm(seen.alone_s, asyncio.create_task(asyncio.sleep(ALONE_S)))
        began_s = time.perf_counter()
        flood = asyncio.create_task(self._flood(notices, connections))
        await self._calm(seen.beside_s, flood)
        seen.silent_s, seen.took_s = flood.result(), time.perf_counter() - began_s
        self.silent_sent += notices
        return seen

    async def _calm(self, waits_s: list[float], until: asyncio.Task[Any]) -> None:
        peer = await asyncio.open_connection("127.0.0.1", self.http, local_addr=(attacks.SENDER, 0))
        while not until.done():
            due_s = time.perf_counter()
            self.sent += 1
            request = gated(f"calm-{self.sent}", self.healthy, CALM_WAIT_S, CALM_TOKEN)
            async with asyncio.timeout(attacks.ANSWER_MAX_S):
                answer = await attackers.ask(peer, request)
            waits_s.append(time.perf_counter() - due_s)
            if b'"in-hand"' not in answer:
                raise AssertionError(f"a calm notice got no reading: {answer!r}")
            await asyncio.sleep(max(due_s + EVERY_S - time.perf_counter(), 0))
        peer[1].close()

    async def _flood(self, notices: int, connections: int) -> list[float]:
        how = ("--notices", str(notices), "--connections", str(connections), "--printer", self.silent)
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, __file__, "--flood", str(self.http), "--begun", str(self.silent_sent), *how),
            stdout=asyncio.subprocess.PIPE,
        )
        said, _ = await asyncio.wait_for(process.communicate(), ALL_ANSWERED_MAX_S)
        if process.returncode != 0:
            raise AssertionError("a notice for the silent printer was not accepted")
        waits_s: list[float] = json.loads(said)
        return waits_s

    async def stored(self) -> tuple[int, int]:
        """(calm ones, those for the silent printer) in the journal."""
        async with await SqlReads.open_for_reading(self.folder / JOURNAL_NAME) as journal:
            facts = [[one.fact async for one in journal.facts(name)] for name in (self.healthy, self.silent)]
        calm, silent = (sum(isinstance(fact, ReleaseStarted) for fact in known) for known in facts)
        return calm, silent

    async def healthy_is_read(self) -> bool:
        figures = await self.metrics()
        name = f'pagereeve_last_reading_timestamp_seconds{{printer="{self.healthy}"}}'
        return figures.get(name, 0.0) > time.time() - 5.0


@asynccontextmanager
async def a_site() -> AsyncIterator[Site]:
    async with attacks.a_site_of(Site) as site:
        site.hush()
        yield site


def gated(name: str, printer: str, wait_s: int, token: str) -> bytes:
    data = {"release": name, "job": f"job-{name}", "owner": "anise", "printer": printer, "ticket": {"pages": 1}}
    members = {"specversion": "1.0", "id": name, "source": "/gated", "type": STARTED, "data": data}
    body = json.dumps(members).encode()
    more = f"Authorization: Bearer {token}\r\nPrefer: wait={wait_s}\r\nContent-Length: {len(body)}\r\n\r\n"
    return attackers.POST + more.encode() + body


async def flood(http: int, printer: str, begun: int, notices: int, connections: int) -> list[float]:
    """Each connection sends its next notice once the last was answered. Raises AssertionError at another status."""
    os.nice(attacks.NICE)
    numbers, waits_s = iter(range(begun, begun + notices)), list[float]()

    async def send(nth: int) -> None:
        source = (f"127.0.1.{nth % 8 + 1}", 0)
        peer = await asyncio.open_connection("127.0.0.1", http, local_addr=source)
        for number in numbers:
            began_s = time.perf_counter()
            request = gated(f"silent-{number}", printer, SILENT_WAIT_S, TOKENS[number % len(TOKENS)])
            answer = await attackers.ask(peer, request)
            if not answer.startswith(b"HTTP/1.1 200 "):
                raise AssertionError(f"{answer!r}")
            waits_s.append(time.perf_counter() - began_s)
        peer[1].close()

    await asyncio.gather(*(send(nth) for nth in range(connections)))
    return waits_s


async def drill(rounds: int, notices: int) -> bool:
    async with a_site() as site:
        print(f"{HEAD}   (99 % within)", flush=True)
        good = True
        for _ in range(rounds):
            seen = await site.round(notices)
            print(seen, flush=True)
            good = good and seen.ratio <= attacks.RATIO_MAX and await site.healthy_is_read()
        stored = await site.stored()
        print(f"stored {stored[0]} of {site.sent} calm notices and {stored[1]} of {site.silent_sent} others")
        return good and stored == (site.sent, site.silent_sent)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--notices", type=int, default=NOTICES)
    parser.add_argument("--connections", type=int, default=CONNECTIONS)
    parser.add_argument("--flood", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--begun", type=int, default=0, help=argparse.SUPPRESS)
    parser.add_argument("--printer", default="", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.flood is not None:
        waits_s = asyncio.run(flood(args.flood, args.printer, args.begun, args.notices, args.connections))
        print(json.dumps(waits_s))
        return 0
    return 0 if asyncio.run(drill(args.rounds, args.notices)) else 1


if __name__ == "__main__":
    sys.exit(main())
