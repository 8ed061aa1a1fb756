"""What is asked of an agent and what comes of it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final, NamedTuple, Protocol

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.meters.snmp.address import AgentAddress, Key
from pagereeve.meters.snmp.lane import Lane
from pagereeve.meters.snmp.message import Head, Response
from pagereeve.meters.snmp.session3 import Report
from pagereeve.ports.meter import MeterTarget

# A request for which the kernel had no room is sent so much later, then twice as much, and does not count as a try.
# So a newcomer comes before those that have long waited, who are mostly the ones that filled the buffer.
NO_ROOM_WAIT_US, NO_ROOM_WAIT_MAX_US = 10_000, 640_000


class ReadEnded(PagereeveError):
    """The one way in which a read ends without a reading, and why."""

    def __init__(self, reason: SilenceReason, detail: str, responder: str = "") -> None:
        super().__init__(detail)
        self.reason = reason
        self.detail = detail
        self.responder = responder


@dataclass(frozen=True, slots=True)
class Leave:
    """What a printer's answers are allowed beyond coming from where the request went: another host, any port."""

    host: str = ""
    any_port: bool = False


STRICT: Final = Leave()


def leave_of(target: MeterTarget) -> Leave:
    """What the printer's entry allows."""
    return Leave(target.answers_from, target.any_port) if target.answers_from or target.any_port else STRICT


@dataclass(frozen=True, slots=True)
class RequestPatience:
    """How long each try is waited for: the first ``first_s``, each further one ``growth`` times longer."""

    first_s: float = 1.0
    growth: float = 2.0
    tries_max: int = 5


class SnmpRequest(Protocol):
    """One question in its version's own bytes, for as many tries as it takes."""

    @property
    def oids(self) -> tuple[bytes, ...]: ...

    def datagram(self, request_id: int) -> bytes: ...

    def open(self, datagram: bytes, head: Head) -> Response | Report:
        """Raises DecodeError, and Unauthentic for what must be dropped without ending the question."""
        ...


class SnmpAnswer(NamedTuple):
    """``sent_us`` is the wall time of the try that was answered; ``received_us`` is never before it.

    ``report`` (SNMPv3) is an agent's word about our message in the place of one about the objects.
    """

    response: Response
    sent_us: int
    received_us: int
    report: Report | None = None


class Unanswered(NamedTuple):
    """``responder`` is the address of somebody who spoke, though not usefully."""

    reason: SilenceReason
    detail: str
    responder: str = ""


class Sent(NamedTuple):
    wall_us: int
    monotonic_us: int


@dataclass(slots=True, eq=False)
class Question:
    """One question on its way. ``sent`` has the id of each try; ``due_us`` is when the next step is due.

    ``wait_us`` is how long the next try waits for its answer, ``room_wait_us`` for room in the send buffer.
    ``on_sent`` receives the instant (monotonic) at which the first try left, once.
    """

    address: AgentAddress
    lane: Lane
    template: SnmpRequest
    deadline_us: int
    patience: RequestPatience
    wait_us: int
    done: asyncio.Future[SnmpAnswer | Unanswered]
    leave: Leave = STRICT
    on_sent: Callable[[int], None] | None = None
    room_wait_us: int = NO_ROOM_WAIT_US
    sent: dict[int, Sent] = field(default_factory=dict)
    due_us: int = 0
    ended: bool = False
    answered: bool = False
    unreadable: str = ""
    stray: str = ""
    unreachable: str = ""

    def takes_from(self, source: Key) -> bool:
        """Whether an answer with a right id may come from there."""
        asked, leave = self.address.key, self.leave
        # An IPv6 scope belongs to the host: the same figures on another link are another device.
        same_host = (source[0], *source[2:]) == (asked[0], *asked[2:])
        known_host = same_host or (bool(leave.host) and source[0] == leave.host)
        return known_host and (leave.any_port or source[1] == asked[1])

    def verdict(self, asked: str) -> Unanswered:
        """Why it stayed without an answer, from what was seen meanwhile; ``asked`` names the address."""
        if self.unreadable:
            return Unanswered(SilenceReason.MALFORMED, f"{asked} answered unreadably: {self.unreadable}", asked)
        if self.stray:
            text = (
                f"{asked} was asked, but an answer with the right id came from {self.stray} and was refused: "
                "the printer or the box before it answers from another address or port. Compare a capture with the "
                "socket; if that is how it is built, allow it (answers_from, any_port)"
            )
            return Unanswered(SilenceReason.TIMEOUT, text, self.stray)
        if self.unreachable:
            return Unanswered(SilenceReason.UNREACHABLE, f"{asked} can't be reached: {self.unreachable}")
        return Unanswered(SilenceReason.TIMEOUT, f"no answer from {asked}")
