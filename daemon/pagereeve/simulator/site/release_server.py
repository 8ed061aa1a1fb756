"""A release server: holds jobs, knows whose badge it is, lets the jobs go and says so."""

from __future__ import annotations

import asyncio
from collections import deque
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from pagereeve.domain.facts.events import BADGE_PRESENTED, RELEASE_ENDED, RELEASE_STARTED
from pagereeve.domain.facts.facts import Outcome
from pagereeve.domain.facts.ticket import ColorMode, Sides, Ticket
from pagereeve.domain.facts.ticket_codec import ticket_json
from pagereeve.ports.clock import Clock
from pagereeve.simulator.errors import BadScenario, NoticeLost
from pagereeve.simulator.network.listener import LoopbackListener
from pagereeve.simulator.printer.model import PrintJob
from pagereeve.simulator.site.badge_lines import LineFormat
from pagereeve.simulator.site.notices import Notice, NoticeBoard, ended, worked_off
from pagereeve.simulator.site.sending import send_job
from pagereeve.simulator.snmp.agent import Address

Fault = Literal[
    "no-end-notice",
    "duplicate-notices",
    "conflicting-duplicate",
    "late-notices",
    "wrong-printer-name",
    "cancel-midway",
    "copies-twice",
    "sent-twice",
    "started-twice",
    "clock-ahead",
    "not-sent",
    "one-page-more",
    "banner-sheet",
    "others-badge",
    "any-gateway",
]

HELD_MAX: Final = 100
QUEUED_MAX: Final = 64
ACK_WAIT_S: Final = 5.0
WRONG_NAME_SUFFIX: Final = "-old"
CLOCK_AHEAD_US: Final = 3_600 * 1_000_000


@dataclass(frozen=True, slots=True)
class HeldJob:
    """A job that waits for its owner's badge; ``printer`` is where it will come out."""

    name: str
    owner: str
    printer: str
    pages: int
    copies: int = 1
    sides: Sides = "one-sided"
    number_up: int = 1
    separator_sheets: int = 0
    tells_separators: bool = True
    tells_copies: bool = True
    color_mode: ColorMode = "monochrome"
    media: str = "iso_a4_210x297mm"
    size_bytes: int = 20_000
    faults: frozenset[Fault] = frozenset()

    def ticket(self) -> Ticket:
        return Ticket(
            pages=self.pages,
            copies=self.copies if self.tells_copies else None,
            sides=self.sides,
            number_up=self.number_up,
            color_mode=self.color_mode,
            media=self.media,
            separator_sheets=self.separator_sheets if self.tells_separators else None,
        )


@dataclass(frozen=True, slots=True)
class PrinterRoute:
    """Where a printer's data go: its print port on the gateway."""

    printer: str
    gateway: str
    address: Address


@dataclass(frozen=True, slots=True)
class HeldRelease:
    """One letting-go of one job. ``badge`` is empty for a job released without one."""

    name: str
    held: HeldJob
    route: PrinterRoute
    badge: str = field(default="", repr=False)


@dataclass(slots=True)
class ServerCounts:
    badges: int = 0
    unknown_badges: int = 0
    unreadable_lines: int = 0
    released: int = 0
    unacknowledged: int = 0
    turned_away: int = 0


class ReleaseServer:
    """Jobs of one printer leave one after the other. ``gate_s`` > 0 waits for the meter reading before sending.

    ``clock_offset_us`` is how far its clock is ahead. ``outcomes`` says how each release ended, by its name.
    """

    def __init__(self, clock: Clock, *, badges: dict[str, str], source: str = "/simulated/release-server") -> None:
        self._clock = clock
        self._owners = badges
        self._routes: dict[str, PrinterRoute] = {}
        self._held: dict[str, deque[HeldJob]] = {}
        self._queues: dict[str, asyncio.Queue[HeldRelease]] = {}
        self._workers: list[asyncio.Task[None]] = []
        self._listeners: dict[str, LoopbackListener] = {}
        self._letting_go: dict[str, int] = {}
        self.board = NoticeBoard(clock, source)
        self.gate_s = 0
        self.clock_offset_us = 0
        self.tells_badges = False
        self.outcomes: dict[str, Outcome] = {}
        self.releases: list[HeldRelease] = []
        self.counts = ServerCounts()

    async def stop(self) -> None:
        for listener in self._listeners.values():
            await listener.stop()
        workers = list(self._workers)
        self._workers.clear()
        try:
            await ended(workers)
        finally:
            await self.board.stop()

    def route(self, route: PrinterRoute) -> None:
        """Serve this printer from now on."""
        queue: asyncio.Queue[HeldRelease] = asyncio.Queue(maxsize=QUEUED_MAX)
        self._routes[route.printer] = route
        self._queues[route.printer] = queue
        self._workers.append(asyncio.get_running_loop().create_task(self._work(queue)))

    async def listen(self, gateway: str, line: LineFormat, host: str = "127.0.0.1", port: int = 0) -> Address:
        """Take badge lines of that gateway; the address to send them to."""

        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            while read := await _line(reader, line.terminator):
                badge = line.decode(read)
                if badge is None:
                    self.counts.unreadable_lines += 1
                else:
                    writer.write((self.badge(gateway, badge) + "\r\n").encode())
                    await writer.drain()

        listener = LoopbackListener(serve, limit_bytes=4096)
        await listener.start(host, port)
        self._listeners[gateway] = listener
        return listener.address

    def badge_address(self, gateway: str) -> Address:
        """Where that gateway's badge lines are accepted. Raises BadScenario."""
        if gateway not in self._listeners:
            raise BadScenario(f"the release server takes no badge lines of {gateway}")
        return self._listeners[gateway].address

    def hold(self, job: HeldJob) -> None:
        """Raises BadScenario for an unknown printer or too many held jobs of one owner."""
        if job.printer not in self._routes:
            raise BadScenario(f"job {job.name} is for {job.printer}, which the release server does not serve")
        held = self._held.setdefault(job.owner, deque())
        if len(held) >= HELD_MAX:
            raise BadScenario(f"{job.owner} has {HELD_MAX} held jobs already")
        held.append(job)

    def badge(self, gateway: str, badge: str) -> str:
        """A badge was read there: its owner's jobs behind that gateway go. Returns what the reader shows."""
        self.counts.badges += 1
        owner = self._owners.get(badge)
        if self.tells_badges:
            data = {"badge": badge, "gateway": gateway, "outcome": "accepted" if owner else "unknown"}
            at_us = self._now_us()
            try:
                self.board.tell("badges", Notice(f"badge-{gateway}-{at_us}", BADGE_PRESENTED, at_us, data))
            except NoticeLost:
                self.counts.unacknowledged += 1
        if owner is None:
            self.counts.unknown_badges += 1
            return "unknown"
        held = self._held.get(owner, deque())
        mine = [job for job in held if self._routes[job.printer].gateway == gateway or "any-gateway" in job.faults]
        for job in mine:
            held.remove(job)
            self._let_go(job, badge)
        return f"released {len(mine)}"

    def release_unbadged(self, job: HeldJob) -> None:
        """Let a job go without a badge: from the server's own page, say."""
        if job.printer not in self._routes:
            raise BadScenario(f"job {job.name} is for {job.printer}, which the release server does not serve")
        self._let_go(job, "")

    async def settled(self) -> None:
        """Until every release has been sent and every notice answered."""
        await worked_off(self._queues.values(), self._workers)
        await self.board.settled()

    def _now_us(self) -> int:
        return self._clock.now_us() + self.clock_offset_us

    def _let_go(self, job: HeldJob, badge: str) -> None:
        nth = self._letting_go[job.name] = self._letting_go.get(job.name, 0) + 1
        release = HeldRelease(f"{job.name}.{nth}", job, self._routes[job.printer], badge)
        try:
            self._queues[job.printer].put_nowait(release)
        except asyncio.QueueFull:
            self.counts.turned_away += 1
            return
        self.releases.append(release)

    async def _work(self, queue: asyncio.Queue[HeldRelease]) -> None:
        while True:
            release = await queue.get()
            try:
                await self._release(release)
            finally:
                queue.task_done()

    async def _release(self, release: HeldRelease) -> None:
        faults = release.held.faults
        ahead_us = CLOCK_AHEAD_US if "clock-ahead" in faults else 0
        started_us = self._now_us() + ahead_us
        if "late-notices" not in faults:
            await self._tell_started(release, started_us)
        outcome = await self._send(release)
        ended_us = self._now_us() + ahead_us
        if "late-notices" in faults:
            await self._tell_started(release, started_us)
        if "no-end-notice" not in faults:
            await self._tell_ended(release, ended_us, outcome)
        self.outcomes[release.name] = outcome
        self.counts.released += 1

    async def _tell_started(self, release: HeldRelease, at_us: int) -> None:
        faults = release.held.faults
        data = self._started_data(release)
        notice = Notice(f"{release.name}.started", RELEASE_STARTED, at_us, data, self.gate_s)
        await self._tell(release, notice)
        if "duplicate-notices" in faults:
            await self._tell(release, notice)
        if "conflicting-duplicate" in faults:
            other = {**data, "ticket": {**data["ticket"], "pages": release.held.pages + 1}}
            await self._tell(release, Notice(notice.id, notice.type, at_us, other))
        if "started-twice" in faults:
            await self._tell(release, Notice(f"{notice.id}.again", notice.type, at_us, data))

    async def _tell_ended(self, release: HeldRelease, at_us: int, outcome: Outcome) -> None:
        held = release.held
        pages = held.pages * held.copies
        data = {"release": release.name, "outcome": outcome, "pages_sent": pages if outcome == "completed" else None}
        data = {name: value for name, value in data.items() if value is not None}
        notice = Notice(f"{release.name}.ended", RELEASE_ENDED, at_us, data)
        await self._tell(release, notice)
        if "duplicate-notices" in held.faults:
            await self._tell(release, notice)

    async def _tell(self, release: HeldRelease, notice: Notice) -> None:
        """Waits for the answer where one can be had: a job is not held up by a receiver that is away."""
        try:
            answered = self.board.tell(release.route.printer, notice)
            if self.board.reachable:
                async with asyncio.timeout(ACK_WAIT_S + notice.wait_s):
                    await asyncio.shield(answered)
        except (NoticeLost, TimeoutError):
            self.counts.unacknowledged += 1

    def _started_data(self, release: HeldRelease) -> dict[str, Any]:
        held, route = release.held, release.route
        wrong = WRONG_NAME_SUFFIX if "wrong-printer-name" in held.faults else ""
        data = {
            "release": release.name,
            "job": held.name,
            "owner": held.owner,
            "printer": route.printer + wrong,
            "gateway": route.gateway,
            "badge": self._others_badge(held.owner) if "others-badge" in held.faults else release.badge,
            "queue": "badge-release",
            "ticket": ticket_json(held.ticket()),
        }
        return {name: value for name, value in data.items() if value != ""}

    def _others_badge(self, owner: str) -> str:
        return next(badge for badge, other in self._owners.items() if other != owner)

    async def _send(self, release: HeldRelease) -> Outcome:
        held = release.held
        if "not-sent" in held.faults:
            return "completed"
        twice = "copies-twice" in held.faults
        pages = held.pages + ("one-page-more" in held.faults)
        job = PrintJob(
            name=release.name,
            pages=pages * held.copies if twice else pages,
            copies=held.copies,
            sides=held.sides,
            number_up=held.number_up,
            separator_sheets=held.separator_sheets + ("banner-sheet" in held.faults),
            size_bytes=held.size_bytes,
        )
        share = 0.5 if "cancel-midway" in held.faults else 1.0
        outcome = await send_job(release.route.address, job, share)
        if "sent-twice" in held.faults:
            outcome = await send_job(release.route.address, job, share)
        return outcome


async def _line(reader: asyncio.StreamReader, terminator: bytes) -> bytes:
    """The next line; what is left at the end of the stream counts as one; an overlong one ends the connection."""
    try:
        return await reader.readuntil(terminator)
    except asyncio.IncompleteReadError as error:
        return error.partial
    except asyncio.LimitOverrunError:
        return b""
