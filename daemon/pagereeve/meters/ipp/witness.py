"""Looks at printers' jobs over IPP, while a release's window is open: a connection wakes a sleeper."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import httpx2

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.meters.ipp.jobs import LISTED_MAX, NAMES, IppJobs
from pagereeve.meters.ipp.message import ANSWER_BYTES_MAX, GET_JOBS, BadIpp, IppAnswer, answer_of, question
from pagereeve.ports.clock import Clock
from pagereeve.ports.jobs import JobsLook
from pagereeve.ports.meter import MeterTarget

LOOK_MAX_S: Final = 2.0
RETRY_FIRST_US, RETRY_MAX_US = 10 * SECOND_US, 600 * SECOND_US
# RFC 8011 section 4.4.1 has /ipp/print; the others are those that printers are known to have.
PATHS: Final = ("/ipp/print", "/ipp", "/", "/ipp/port1")
VERSIONS: Final = (0x0200, 0x0101)

# Status codes (RFC 8011 section 4.1.6.1 and appendix B).
OK_END, NOT_FOUND, VERSION_NOT_SUPPORTED = 0x0100, 0x0406, 0x0503
REFUSED: Final = {0x0401: "forbidden", 0x0402: "not authenticated", 0x0403: "not authorized"}

Note = Callable[[str, str], None]


class NoLook(PagereeveError):
    """Why the printer's jobs could not be looked at."""


@dataclass(slots=True)
class _Door:
    """One printer's IPP: what it was found to answer to, what it said last, and when it is asked again."""

    target: MeterTarget
    jobs: IppJobs = field(default_factory=IppJobs)
    path: int = 0
    version: int = 0
    failures: int = 0
    again_us: int = 0
    told: str = ""


class IppWitness:
    """Implements ports.jobs.JobWitness for printers whose entry has an ``ipp_port``.

    ``note`` hears why a look failed, once for each reason in a row.
    """

    def __init__(self, clock: Clock, note: Note | None = None) -> None:
        self._clock = clock
        self._note = note
        self._doors: dict[str, _Door] = {}
        self._client: httpx2.AsyncClient | None = None

    async def look(self, target: MeterTarget, timeout_s: float, *, busy: bool) -> Sequence[JobsLook]:
        if target.ipp_port is None or not busy:
            return ()
        door = self._doors.get(target.printer)
        if door is None or door.target != target:
            door = self._doors[target.printer] = _Door(target)
        if self._clock.monotonic_us() < door.again_us:
            return ()
        try:
            async with asyncio.timeout(min(timeout_s, LOOK_MAX_S)):
                look = await self._look(door, target.ipp_port)
        except (NoLook, BadIpp, httpx2.HTTPError, OSError, TimeoutError) as error:
            self._failed(door, error)
            return ()
        door.failures, door.told = 0, ""
        return (look,)

    async def close(self) -> None:
        if self._client is not None:
            await self._client.aclose()

    def _failed(self, door: _Door, error: Exception) -> None:
        door.failures += 1
        wait_us = min(RETRY_MAX_US, RETRY_FIRST_US * 2 ** min(door.failures - 1, 10))
        door.again_us = self._clock.monotonic_us() + wait_us
        text = str(error) or type(error).__name__
        if self._note is not None and text != door.told:
            self._note(door.target.printer, f"its jobs can't be looked at over IPP: {text}")
        door.told = text

    async def _look(self, door: _Door, port: int) -> JobsLook:
        host = await _address(door.target.host, port)
        sent_us = self._clock.now_us()
        # Those that are over last: what ends meanwhile is in one of the two lists at least.
        at_work = await self._ask(door, host, port, "not-completed")
        over = await self._ask(door, host, port, "completed")
        return door.jobs.look(at_work.jobs(), over.jobs(), sent_us, max(sent_us, self._clock.now_us()))

    async def _ask(self, door: _Door, host: str, port: int, which: str) -> IppAnswer:
        """The answer at the path and in the version that the printer knows; both are found once."""
        for _ in range(len(PATHS) + len(VERSIONS)):
            place = f"{host}:{port}{PATHS[door.path]}"
            body = question(GET_JOBS, f"ipp://{place}", VERSIONS[door.version], which, LISTED_MAX, NAMES)
            answer = await self._post(f"http://{place}", body)
            if answer is not None and answer.status < OK_END:
                return answer
            status = NOT_FOUND if answer is None else answer.status
            if status == VERSION_NOT_SUPPORTED and door.version + 1 < len(VERSIONS):
                door.version += 1
            elif status == NOT_FOUND and door.path + 1 < len(PATHS):
                door.path += 1
            else:
                door.path = 0 if status == NOT_FOUND else door.path
                raise NoLook(f"{place} answered {REFUSED.get(status, f'status 0x{status:04x}')}")
        raise NoLook(f"{host}:{port} answered at none of {', '.join(PATHS)}")

    async def _post(self, url: str, body: bytes) -> IppAnswer | None:
        """None where there is nothing at the path. IPP's own status comes with HTTP's 200 alone (RFC 8010 section
        3.4.3).
        """
        if self._client is None:
            # Proxies and other settings of the environment are not used, and redirects not followed.
            limits = httpx2.Limits(max_connections=32, max_keepalive_connections=16, keepalive_expiry=30)
            headers = {"content-type": "application/ipp", "accept-encoding": "identity", "user-agent": "pagereeve"}
            self._client = httpx2.AsyncClient(
                verify=False, timeout=LOOK_MAX_S, limits=limits, trust_env=False, headers=headers
            )
        async with self._client.stream("POST", url, content=body) as response:
            if response.status_code == 404:
                return None
            if response.status_code != 200:
                raise NoLook(f"{url} answered HTTP {response.status_code}")
            data = b""
            async for chunk in response.aiter_raw():
                data += chunk
                if len(data) > ANSWER_BYTES_MAX:
                    raise NoLook(f"{url} answered more than {ANSWER_BYTES_MAX} octets")
        return answer_of(data, NAMES)


async def _address(host: str, port: int) -> str:
    """In figures: some printers refuse a Host that they don't know, and none a number."""
    found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_STREAM)
    family, *_, address = found[0]
    return f"[{address[0]}]" if family is socket.AF_INET6 else str(address[0])
