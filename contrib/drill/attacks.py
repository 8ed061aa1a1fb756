"""A daemon under attack, and a calm sender and a gateway beside each kind of attack (attackers.py).

The daemon runs as a process of its own with 1,024 descriptors, two printers behind it and tokens for its senders. The
calm sender posts 25 events a second, every tenth on a new connection; the gateway sends ten badge lines a second. Shown
is how long an event takes to be acknowledged and a badge line to be received, alone just before each attack and beside
it, with what was refused meanwhile. All that the two sent must be stored, and the meters be read all the time.

    python contrib/drill/attacks.py                            # all kinds, 20 s each: 9 minutes
    python contrib/drill/attacks.py --seconds 5 slow-head      # one kind
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import re
import resource
import socket
import sys
import tempfile
import time
from collections import Counter
from collections.abc import AsyncIterator, Iterable
from contextlib import AbstractAsyncContextManager, AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from itertools import cycle
from pathlib import Path
from typing import Final, TypeVar

import attackers
import httpx2

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.facts.facts import BadgePresented
from pagereeve.simulator.college.fleet import Fleet
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.reads import SqlReads

DESCRIPTORS: Final = 1_024
NICE: Final = 15
EVENT_EVERY_S: Final = 0.04
LINE_EVERY_S: Final = 0.1
NEW_CONNECTION_EVERY: Final = 10
ANSWER_MAX_S: Final = 30.0
START_MAX_S: Final = 30.0
# A figure below this is the machine's own unrest, and no measure for another one.
FLOOR_S: Final = 0.02
RATIO_MAX: Final = 2.0
GATEWAY: Final = "127.0.0.2"
SENDER: Final = "127.0.0.3"
# The calm sender shows another one at each measurement: its own quota is not what is tried here.
CALM_TOKENS: Final = tuple(f"an-invented-token-calm-{number}" for number in range(128))
READER_TOKEN: Final = "an-invented-token-that-reads"
OTHER_TOKEN: Final = "an-invented-token-of-others"
CONFIG: Final = """
data_dir = "{folder}"
[http]
listen = "127.0.0.1:{http}"
token_files = {tokens}
head_timeout = "2s"
body_timeout = "2s"
day_max_bytes = 1_048_576
[[http.credentials]]
name = "reader"
acts = ["read"]
token_file = "{folder}/reader.token"
[[http.credentials]]
name = "others"
acts = ["send", "read"]
token_file = "{folder}/others.token"
[log]
level = "warning"
[watch]
baseline = "1s"
sleeper_backoff_max = "2s"
read_timeout = "2s"
[[feeds.lines]]
name = "badges"
listen = "127.0.0.1:{lines}"
[[gateways]]
name = "gate"
host = "{gateway}"
"""
PRINTER: Final = '[[printers]]\nname = "{name}"\nhost = "{host}"\nport = {port}\ngateway = "gate"\n'


AnySite = TypeVar("AnySite", bound="Site")


def a_free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class Figures:
    """What was seen beside one attack (``name`` is "alone" for none)."""

    name: str
    events_s: list[float] = field(default_factory=list)
    lines_s: list[float] = field(default_factory=list)
    refused: Counter[str] = field(default_factory=Counter)
    resident_bytes: int = 0
    cpu_share: float = 0.0

    @property
    def event_p99_s(self) -> float:
        return p99(self.events_s)

    @property
    def line_p99_s(self) -> float:
        return p99(self.lines_s)

    def event_ratio(self, alone: Figures) -> float:
        return self.event_p99_s / max(alone.event_p99_s, FLOOR_S)

    def ratio(self, alone: Figures) -> float:
        """The worse of the two."""
        return max(self.event_ratio(alone), self.line_p99_s / max(alone.line_p99_s, FLOOR_S))

    def row(self, alone: Figures) -> str:
        why = ", ".join(f"{reason} {number}" for reason, number in sorted(self.refused.items()))
        events = f"{alone.event_p99_s * 1e3:8.1f} {self.event_p99_s * 1e3:8.1f}"
        figures = f"{events} {alone.line_p99_s * 1e3:8.1f} {self.line_p99_s * 1e3:8.1f} {self.ratio(alone):6.2f}"
        return f"{self.name:24} {figures} {self.cpu_share:5.0%} {self.resident_bytes / 2**20:6.0f}  {why}"


def p99(values: Iterable[float]) -> float:
    ordered = sorted(values)
    return ordered[min(int(len(ordered) * 0.99), len(ordered) - 1)] if ordered else 0.0


class Site:
    """A daemon in a process of its own, with who is calm beside it."""

    def __init__(self, folder: Path, fleet: Fleet, nice: int = NICE) -> None:
        self.folder, self.fleet, self.nice = folder, fleet, nice
        self.http, self.lines = a_free_port(), a_free_port()
        self.process: asyncio.subprocess.Process | None = None
        self.sent_lines_us: list[int] = []
        self.events = 0
        self._tokens = cycle(CALM_TOKENS)
        self._token = ""
        self._line_marks: list[tuple[Figures, int, int]] = []

    async def start(self) -> None:
        folder = self.folder
        tokens = {folder / token: token for token in CALM_TOKENS}
        for path, token in tokens.items():
            path.write_text(token)
        shown = json.dumps([str(path) for path in tokens])
        (folder / "reader.token").write_text(READER_TOKEN)
        (folder / "others.token").write_text(OTHER_TOKEN)
        config = CONFIG.format(folder=folder, tokens=shown, http=self.http, lines=self.lines, gateway=GATEWAY)
        printers = (PRINTER.format(name=n, host=h, port=p) for n, (h, p) in self.fleet.addresses().items())
        (folder / "pagereeve.toml").write_text(config + "".join(printers))
        code = "import sys; from pagereeve.cli import main; sys.argv[0] = 'pagereeve'; main()"
        run = (sys.executable, "-c", code, "run", "--config", str(folder / "pagereeve.toml"))
        self.process = await asyncio.create_subprocess_exec(*run, stdin=asyncio.subprocess.DEVNULL)
        resource.prlimit(self.process.pid, resource.RLIMIT_NOFILE, (DESCRIPTORS, DESCRIPTORS))
        async with asyncio.timeout(START_MAX_S):
            while (await self.metrics()).get("pagereeve_ready", 0) != 1:
                if self.process.returncode is not None:
                    raise RuntimeError("the daemon ended by itself")
                await asyncio.sleep(0.1)

    async def stop(self) -> None:
        if self.process is not None and self.process.returncode is None:
            self.process.terminate()
            await asyncio.wait_for(self.process.wait(), START_MAX_S)

    async def metrics(self) -> dict[str, float]:
        """By name with labels. Empty where nobody answers yet."""
        headers = {"Authorization": f"Bearer {READER_TOKEN}"}
        async with httpx2.AsyncClient(timeout=ANSWER_MAX_S, headers=headers) as client:
            try:
                text = (await client.get(f"http://127.0.0.1:{self.http}/metrics")).text
            except httpx2.TransportError:
                return {}
        samples = (line.rpartition(" ") for line in text.splitlines() if not line.startswith("#"))
        return {name: float(value) for name, _, value in samples}

    async def beside(self, name: str, seconds: float, connections: int = 1_500) -> Figures:
        """What the calm ones see while the attack of that name goes on ("alone": none)."""
        figures = Figures(name)
        self._token = next(self._tokens)
        before = await self.metrics()
        attacker = None if name == "alone" else await self._attack(name, seconds + 1.0, connections)
        await asyncio.sleep(0.5)
        first = len(self.sent_lines_us)
        cpu_s = self.cpu_s()
        await asyncio.gather(self._send_events(figures, seconds), self._send_lines(seconds))
        self._line_marks.append((figures, first, len(self.sent_lines_us)))
        figures.resident_bytes = self.resident_bytes()
        figures.cpu_share = (self.cpu_s() - cpu_s) / seconds
        if attacker is not None and await attacker.wait() != 0:
            raise RuntimeError(f"the attacker {name} ended with {attacker.returncode}")
        figures.refused = refused(before, await self.metrics())
        return figures

    def resident_bytes(self) -> int:
        """The second figure of /proc/pid/statm (proc(5))."""
        return int(self._proc("statm").split()[1]) * os.sysconf("SC_PAGE_SIZE")

    def cpu_s(self) -> float:
        """User and system time, fields 14 and 15 of /proc/pid/stat (proc(5)); the name before them has no space."""
        fields = self._proc("stat").split()
        return (int(fields[13]) + int(fields[14])) / os.sysconf("SC_CLK_TCK")

    def _proc(self, name: str) -> str:
        if self.process is None:
            raise RuntimeError("the daemon was not started")
        return Path(f"/proc/{self.process.pid}/{name}").read_text(encoding="ascii")

    async def _attack(self, name: str, seconds: float, connections: int) -> asyncio.subprocess.Process:
        where = ("--http", f"127.0.0.1:{self.http}", "--lines", f"127.0.0.1:{self.lines}", "--token", OTHER_TOKEN)
        how = ("--seconds", str(seconds), "--connections", str(connections), "--nice", str(self.nice))
        return await asyncio.create_subprocess_exec(sys.executable, str(attackers.__file__), name, *where, *how)

    async def _send_events(self, figures: Figures, seconds: float) -> None:
        ends_s = time.perf_counter() + seconds
        peer: attackers.Peer | None = None
        while (due_s := time.perf_counter()) < ends_s:
            if peer is not None and self.events % NEW_CONNECTION_EVERY == 0:
                peer[1].close()
                peer = None
            if peer is None:
                peer = await asyncio.open_connection("127.0.0.1", self.http, local_addr=(SENDER, 0))
            async with asyncio.timeout(ANSWER_MAX_S):
                await self._send_event(peer)
            figures.events_s.append(time.perf_counter() - due_s)
            await asyncio.sleep(max(due_s + EVENT_EVERY_S - time.perf_counter(), 0))
        if peer is not None:
            peer[1].close()

    async def _send_event(self, peer: attackers.Peer) -> None:
        self.events += 1
        data = {"badge": f"{self.events:08x}", "gateway": "desk"}
        kind = "pagereeve.badge.presented.v1"
        members = {"specversion": "1.0", "id": f"c-{self.events}", "source": "/calm", "type": kind, "data": data}
        body = json.dumps(members).encode()
        head = attackers.POST + b"Authorization: Bearer %s\r\n" % self._token.encode()
        answer = await attackers.ask(peer, head + b"Content-Length: %d\r\n\r\n" % len(body) + body)
        if not answer.startswith(b"HTTP/1.1 200 "):
            raise RuntimeError(f"the calm sender was answered {answer!r}")

    async def _send_lines(self, seconds: float) -> None:
        _, writer = await asyncio.open_connection("127.0.0.1", self.lines, local_addr=(GATEWAY, 0))
        ends_s = time.perf_counter() + seconds
        while time.perf_counter() < ends_s:
            self.sent_lines_us.append(time.time_ns() // 1_000)
            writer.write(b"%08x\r\n" % len(self.sent_lines_us))
            await writer.drain()
            await asyncio.sleep(LINE_EVERY_S)
        writer.close()

    async def stored_within(self, seconds: float) -> tuple[int, int]:
        """(events of the calm sender, lines of the gateway) in the journal, once they are all there, or time is up.

        The lines' delays go to the figures.
        """
        ends_s = time.monotonic() + seconds
        while True:
            stored, received_us = await self._look()
            if (stored, len(received_us)) == (self.events, len(self.sent_lines_us)) or time.monotonic() > ends_s:
                break
            await asyncio.sleep(0.5)
        for figures, first, end in self._line_marks:
            pairs = zip(self.sent_lines_us[first:end], received_us[first:end], strict=False)
            figures.lines_s = [(received - sent) / 1e6 for sent, received in pairs]
        return stored, len(received_us)

    async def _look(self) -> tuple[int, list[int]]:
        async with await SqlReads.open_for_reading(self.folder / JOURNAL_NAME) as journal:
            printer = next(iter(self.fleet.printers))
            stored = [one.fact async for one in journal.facts(printer) if isinstance(one.fact, BadgePresented)]
            everywhere = [one.fact async for one in journal.facts("") if isinstance(one.fact, BadgePresented)]
        mine = sorted(one.origin.received_us for one in stored if one.gateway == "gate")
        return sum(one.origin.source == "/calm" for one in everywhere), mine


def refused(before: dict[str, float], after: dict[str, float]) -> Counter[str]:
    """What was refused meanwhile, by reason, of requests and of connections."""
    found: Counter[str] = Counter()
    for name, value in after.items():
        reason = re.fullmatch(r'pagereeve_refused(?:_connections)?_total\{.*reason="([^"]+)"\}', name)
        if reason is not None and value > before.get(name, 0):
            found[reason[1]] += round(value - before.get(name, 0))
    return found


@asynccontextmanager
async def a_site_of(kind: type[AnySite], nice: int = NICE) -> AsyncIterator[AnySite]:
    async with AsyncExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        fleet = Fleet(2, SystemClock())
        await fleet.start()
        stack.push_async_callback(fleet.stop)
        site = kind(folder, fleet, nice)
        stack.push_async_callback(site.stop)
        await site.start()
        yield site


def a_site(nice: int = NICE) -> AbstractAsyncContextManager[Site]:
    return a_site_of(Site, nice)


async def meters_are_read(site: Site) -> bool:
    """Each meter's last reading is younger than three times the time between two."""
    figures = await site.metrics()
    times = [value for name, value in figures.items() if name.startswith("pagereeve_last_reading_timestamp")]
    return len(times) == len(site.fleet.printers) and min(times) > time.time() - 5.0


async def run(names: list[str], seconds: float, connections: int) -> int:
    async with a_site() as site:
        pairs = []
        for name in names:
            alone = await site.beside("alone", seconds / 2)
            pairs.append((await site.beside(name, seconds, connections), alone))
            if not await meters_are_read(site):
                print(f"{name}: a meter was not read")
                return 1
        events, lines = await site.stored_within(10.0)
        sent = (site.events, len(site.sent_lines_us))
    titles = f"{'event':>8} {'beside':>8} {'line':>8} {'beside':>8} {'ratio':>6} {'CPU':>5} {'MiB':>6}"
    print(f"{'99 % within, in ms':24} {titles}  refused")
    for one, alone in pairs:
        print(one.row(alone))
    print(f"stored {events} of {sent[0]} events and {lines} of {sent[1]} badge lines")
    return int((events, lines) != sent or max(one.ratio(alone) for one, alone in pairs) > RATIO_MAX)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="KIND")
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--connections", type=int, default=5_000)
    args = parser.parse_args()
    sys.exit(asyncio.run(run(args.names or list(attackers.ATTACKS), args.seconds, args.connections)))


if __name__ == "__main__":
    main()
