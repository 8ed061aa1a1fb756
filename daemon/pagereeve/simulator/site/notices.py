"""Release notices: CloudEvents 1.0 over HTTP/1.1, sent until acknowledged, in order for each lane."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final
from urllib.parse import urlsplit

from pagereeve.domain.values.instants import to_text
from pagereeve.ports.clock import Clock
from pagereeve.simulator.errors import NoticeLost
from pagereeve.simulator.network.listener import close

WAITING_MAX: Final = 512
ANSWER_MAX_BYTES: Final = 65_536
POST_TIMEOUT_S: Final = 10.0
BACKOFF_FIRST_S: Final = 0.1
BACKOFF_LONGEST_S: Final = 5.0
TRIES_MAX: Final = 200
HOLD_POLL_S: Final = 0.02


@dataclass(frozen=True, slots=True)
class Notice:
    """One event; ``wait_s`` asks the receiver to answer only once its meter reading is in hand (RFC 7240)."""

    id: str
    type: str
    at_us: int
    data: dict[str, Any] = field(repr=False)
    wait_s: int = 0

    def body(self, source: str) -> bytes:
        """CloudEvents 1.0, structured mode in JSON."""
        members = {
            "specversion": "1.0",
            "id": self.id,
            "source": source,
            "type": self.type,
            "time": to_text(self.at_us),
            "datacontenttype": "application/json",
            "data": self.data,
        }
        return json.dumps(members, ensure_ascii=False).encode()


async def post(url: str, body: bytes, headers: dict[str, str]) -> int:
    """POST once on a connection of its own; the status. Raises OSError, TimeoutError, ValueError (no HTTP answer)."""
    parts = urlsplit(url)
    host, port = parts.hostname or "", parts.port or 80
    lines = [f"POST {parts.path or '/'} HTTP/1.1", f"Host: {host}:{port}", f"Content-Length: {len(body)}"]
    lines += ["Connection: close", *(f"{name}: {value}" for name, value in headers.items()), "", ""]
    async with asyncio.timeout(POST_TIMEOUT_S + float(headers.get("Prefer", "wait=0").removeprefix("wait="))):
        reader, writer = await asyncio.open_connection(host, port)
        try:
            writer.write("\r\n".join(lines).encode("latin-1") + body)
            await writer.drain()
            status = int((await reader.readline()).split(b" ", 2)[1])
            await reader.read(ANSWER_MAX_BYTES)
        except IndexError as error:
            raise ValueError("the receiver's answer is no HTTP status line") from error
        finally:
            await close(writer)
    return status


class NoticeBoard:
    """Sends notices to ``url``; a lane keeps its own order and waits for nobody else's answer.

    ``outage`` holds everything back, in bounded queues, until it is over. A refusal (4xx) is final; a failure is tried
    again with a growing wait, under the same id.
    """

    def __init__(self, clock: Clock, source: str) -> None:
        self._clock = clock
        self._lanes: dict[str, tuple[asyncio.Queue[tuple[Notice, asyncio.Future[int]]], asyncio.Task[None]]] = {}
        self.source = source
        self.url = ""
        self.token = ""
        self.outage = False
        self.acknowledged = self.refused = self.failures = self.lost = 0

    @property
    def reachable(self) -> bool:
        return bool(self.url) and not self.outage

    def tell(self, lane: str, notice: Notice) -> asyncio.Future[int]:
        """Queue it; the future gives the status, or NoticeLost. Raises NoticeLost where the lane is full."""
        loop = asyncio.get_running_loop()
        if lane not in self._lanes:
            queue: asyncio.Queue[tuple[Notice, asyncio.Future[int]]] = asyncio.Queue(maxsize=WAITING_MAX)
            self._lanes[lane] = (queue, loop.create_task(self._run(queue)))
        answered: asyncio.Future[int] = loop.create_future()
        try:
            self._lanes[lane][0].put_nowait((notice, answered))
        except asyncio.QueueFull as error:
            self.lost += 1
            raise NoticeLost(f"{notice.id}: {WAITING_MAX} notices wait in lane {lane} already") from error
        return answered

    async def settled(self) -> None:
        """Until every queued notice is answered or lost."""
        lanes = list(self._lanes.values())
        await worked_off([queue for queue, _ in lanes], [task for _, task in lanes])

    async def stop(self) -> None:
        lanes = list(self._lanes.values())
        self._lanes.clear()
        for queue, _ in lanes:
            while not queue.empty():
                queue.get_nowait()[1].cancel()
        await ended(task for _, task in lanes)

    async def _run(self, queue: asyncio.Queue[tuple[Notice, asyncio.Future[int]]]) -> None:
        while True:
            notice, answered = await queue.get()
            try:
                status = await self._deliver(notice)
            except NoticeLost as error:
                self.lost += 1
                if not answered.done():
                    answered.set_exception(error)
                    # Whoever waits receives it; where nobody does, ``lost`` has it.
                    answered.exception()
            else:
                if not answered.done():
                    answered.set_result(status)
            finally:
                queue.task_done()

    async def _deliver(self, notice: Notice) -> int:
        headers = {"Content-Type": "application/cloudevents+json"}
        if notice.wait_s:
            headers["Prefer"] = f"wait={notice.wait_s}"
        if self.token:
            headers["Authorization"] = f"Bearer {self.token}"
        backoff_s, last = BACKOFF_FIRST_S, "no try was made"
        for _ in range(TRIES_MAX):
            while not self.reachable:
                await self._clock.sleep(HOLD_POLL_S)
            try:
                status = await post(self.url, notice.body(self.source), headers)
            except (OSError, TimeoutError, ValueError) as error:
                last = f"{type(error).__name__}"
            else:
                if status < 500 and status not in {408, 429}:
                    self.acknowledged += status < 300
                    self.refused += status >= 300
                    return status
                last = f"status {status}"
            self.failures += 1
            await self._clock.sleep(backoff_s)
            backoff_s = min(backoff_s * 2, BACKOFF_LONGEST_S)
        raise NoticeLost(f"{notice.id}: not acknowledged in {TRIES_MAX} tries, the last: {last}")


async def worked_off(queues: Iterable[asyncio.Queue[Any]], workers: Iterable[asyncio.Task[None]]) -> None:
    """Until every queue is done with; a worker that ends before raises what ended it."""
    joined = asyncio.gather(*(queue.join() for queue in queues))
    watched = set(workers)
    either: set[asyncio.Future[Any]] = {joined, *watched}
    await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
    if joined.done():
        return
    joined.cancel()
    await asyncio.gather(joined, return_exceptions=True)
    for worker in watched:
        if worker.done():
            worker.result()


async def ended(workers: Iterable[asyncio.Task[None]]) -> None:
    """Cancel the workers and wait for their end; one that had failed before raises its error."""
    tasks = list(workers)
    for task in tasks:
        task.cancel()
    results = await asyncio.gather(*tasks, return_exceptions=True)
    for result in results:
        if isinstance(result, Exception):
            raise result
