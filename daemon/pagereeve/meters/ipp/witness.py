"""Looks at printers' jobs over IPP, while a release's window is open: a connection wakes a sleeper."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Final

from pagereeve.domain.values.instants import SECOND_US
from pagereeve.meters.ipp.ended import IppEnded
from pagereeve.meters.ipp.jobs import LISTED_MAX, NAMES, UUID, IppJobs
from pagereeve.meters.ipp.message import GET_JOBS, IppAnswer, answer_of, question
from pagereeve.meters.ipp.peer import IppPeer
from pagereeve.meters.ipp.transport import IppTransport
from pagereeve.meters.job_names import job_uuids
from pagereeve.ports.clock import Clock
from pagereeve.ports.jobs import JobsLook
from pagereeve.ports.meter import MeterTarget

LOOK_MAX_S: Final = 2.0
# A little less, so that what is told says which step went unanswered.
STEP_MAX_S: Final = 1.8
RETRY_FIRST_US, RETRY_MAX_US = 10 * SECOND_US, 600 * SECOND_US

Note = Callable[[str, str], None]


@dataclass(slots=True)
class _Door:
    """One printer's IPP: whom to ask, what it said last, and when it is asked again."""

    peer: IppPeer
    jobs: IppJobs = field(default_factory=IppJobs)
    failures: int = 0
    again_us: int = 0
    told: str = ""


class IppWitness:
    """Implements ports.jobs.JobWitness for printers whose entry has an ``ipp_port``.

    ``note`` hears why a look failed, once for each reason in a row.
    """

    def __init__(self, clock: Clock, note: Note | None = None, transport: IppTransport | None = None) -> None:
        self._clock = clock
        self._note = note
        self._doors: dict[str, _Door] = {}
        self._transport = transport or IppTransport(clock)

    async def look(
        self, target: MeterTarget, timeout_s: float, *, busy: bool, names: Sequence[str] = ()
    ) -> Sequence[JobsLook]:
        if target.ipp_port is None or not busy:
            return ()
        door = self._doors.get(target.printer)
        if door is None or door.peer.target != target:
            door = self._doors[target.printer] = _Door(IppPeer(target))
        if self._clock.monotonic_us() < door.again_us:
            return ()
        try:
            async with asyncio.timeout(min(timeout_s, LOOK_MAX_S)):
                look = await self._look(door, names)
        except (IppEnded, OSError, TimeoutError) as error:
            self._failed(door, str(error) or "no answer in time")
            return ()
        door.failures, door.told = 0, ""
        if door.peer.note:
            self._say(target.printer, door.peer.note)
            door.peer.note = ""
        return (look,)

    async def told(self, target: MeterTarget) -> list[str]:
        """For people: that the printer tells of its jobs, with how many and the highest number."""
        try:
            async with asyncio.timeout(LOOK_MAX_S):
                await self._look(door := _Door(IppPeer(target)))
        except (IppEnded, OSError, TimeoutError) as error:
            return [f"its jobs can't be looked at over IPP: {error or 'no answer in time'}"]
        highest = f"highest number {door.jobs.highest}" if door.jobs.highest else "none is listed now"
        return [f"tells of its print jobs (RFC 8011): {highest}"]

    def forget(self, printer: str) -> None:
        self._doors.pop(printer, None)

    async def close(self) -> None:
        await self._transport.close()

    def _failed(self, door: _Door, text: str) -> None:
        door.failures += 1
        wait_us = min(RETRY_MAX_US, RETRY_FIRST_US * 2 ** min(door.failures - 1, 10))
        door.again_us = self._clock.monotonic_us() + wait_us
        if text != door.told:
            self._say(door.peer.target.printer, f"its jobs can't be looked at over IPP: {text}")
        door.told = text

    def _say(self, printer: str, text: str) -> None:
        if self._note is not None:
            self._note(printer, text)

    async def _look(self, door: _Door, names: Sequence[str] = ()) -> JobsLook:
        uuids = job_uuids(names)
        sent_us = self._clock.now_us()
        # Those that are over last: what ends meanwhile is in one of the two lists at least.
        at_work = await self._ask(door.peer, "not-completed", list(uuids))
        over = await self._ask(door.peer, "completed", list(uuids))
        received_us = max(sent_us, self._clock.now_us())
        return door.jobs.look(at_work.jobs(), over.jobs(), sent_us, received_us, tuple(uuids.values()))

    async def _ask(self, peer: IppPeer, which: str, uuids: Sequence[bytes]) -> IppAnswer:
        """A job's UUID is asked for only where a notice names one; that it is that one is all that is kept of it."""
        names = (*NAMES, UUID) if uuids else NAMES

        def asked(uri: str, version: int) -> bytes:
            return question(GET_JOBS, uri, version, which, LISTED_MAX, names)

        return await peer.ask(self._transport, asked, partial(answer_of, names=names, places=uuids), STEP_MAX_S)
