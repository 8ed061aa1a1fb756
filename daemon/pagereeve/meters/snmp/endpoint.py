"""The shared endpoint: every printer's requests leave through it and every answer is matched here.

An answer counts only if it comes from the address and port that were asked and carries the unpredictable id of a try
that is still awaited. Everything else is counted and dropped. The tries of one question each have an id of their own,
and all of them stay valid until it ends, so that a slow printer's late answer to the first try is accepted, with the
instant at which that try was sent (net-snmp/net-snmp#194).
"""

from __future__ import annotations

import asyncio
import errno
import os
import socket
from collections import Counter
from collections.abc import Callable
from itertools import islice
from typing import NamedTuple

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.meters.snmp.address import AgentAddress, Key, key_label
from pagereeve.meters.snmp.ber import DecodeError
from pagereeve.meters.snmp.deadlines import Deadlines
from pagereeve.meters.snmp.lane import DATAGRAM_BYTES_MAX, RECEIVE_BUFFER_BYTES, Icmp, Lane
from pagereeve.meters.snmp.message import GET, GET_NEXT, Heads, Response, four_octet_id, read_head
from pagereeve.meters.snmp.question import (
    NO_ROOM_WAIT_MAX_US,
    STRICT,
    Leave,
    Question,
    RequestPatience,
    Sent,
    SnmpAnswer,
    SnmpRequest,
    Unanswered,
)
from pagereeve.meters.snmp.session3 import Report, Unauthentic
from pagereeve.meters.snmp.stats import DatagramRefusal, MeterStats
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy

IN_FLIGHT_MAX = 4096
CLOSED_IDS_MAX = 4096
CLOSED_IDS_MORE = 512
LATE_MAX = 4096
NO_RESPONSE = Response(0, 0, 0, ())
# Printers that need a local port of their own; each takes two descriptors for a family.
PRIVATE_LANES_MAX = 64
ID_DRAWS = 64


class Closed(NamedTuple):
    """A try that nobody waits for any more: whom it went to, when (monotonic), whether another try was answered."""

    key: Key
    sent_us: int
    answered: bool


class Late(NamedTuple):
    """An answer to a question that had stayed without one: when (monotonic), and how long after its request."""

    at_us: int
    took_us: int


class Endpoint:
    """Sockets of the running loop, opened when first needed: for each of IPv4 and IPv6 one local port for all, and one
    for each printer that needs another.
    """

    def __init__(
        self,
        clock: Clock,
        entropy: Entropy,
        stats: MeterStats,
        *,
        in_flight_max: int = IN_FLIGHT_MAX,
        receive_buffer_bytes: int = RECEIVE_BUFFER_BYTES,
    ) -> None:
        self.stats = stats
        self._clock = clock
        self._entropy = entropy
        self._receive_buffer_bytes = receive_buffer_bytes
        self._room = asyncio.Semaphore(in_flight_max)
        self._lanes: dict[tuple[int, int], Lane] = {}
        self._lane_owners: Counter[int] = Counter()
        self._retired: list[Lane] = []
        self._drops_of_closed = 0
        self._by_id: dict[int, Question] = {}
        self._by_source: dict[Key, Question] = {}
        self._closed: dict[int, Closed] = {}
        self._late: dict[Key, Late] = {}
        self._deadlines = Deadlines[Question](clock, self._on_due)
        self._heads = Heads()
        self._shut = False

    async def ask(
        self,
        address: AgentAddress,
        template: SnmpRequest,
        deadline_us: int,
        patience: RequestPatience,
        *,
        lane: int = 0,
        leave: Leave = STRICT,
        on_sent: Callable[[int], None] | None = None,
    ) -> SnmpAnswer | Unanswered:
        """Ask until answered or until ``deadline_us`` (monotonic). One question to one address at a time, please.

        ``lane`` picks the local port; ``leave`` says from where else answers may come; ``on_sent`` receives the
        monotonic instant at which the first try left.
        """
        if self._room.locked():
            try:
                async with asyncio.timeout((deadline_us - self._clock.monotonic_us()) / 1_000_000):
                    await self._room.acquire()
            except TimeoutError:
                return Unanswered(SilenceReason.TIMEOUT, "not sent: too many requests were in flight all the time")
        else:
            await self._room.acquire()
        question: Question | None = None
        try:
            if self._shut:
                return Unanswered(SilenceReason.TIMEOUT, "not sent: the reader is closed")
            try:
                via = self._lane(address.family, lane)
            except OSError as error:
                return Unanswered(SilenceReason.UNREACHABLE, f"no local socket for {key_label(address.key)}: {error}")
            wait_us = int(patience.first_s * 1_000_000)
            done: asyncio.Future[SnmpAnswer | Unanswered] = via.loop.create_future()
            question = Question(address, via, template, deadline_us, patience, wait_us, done, leave, on_sent)
            self._by_source[address.key] = question
            via.users += 1
            self._try(question)
            return await done
        finally:
            if question is not None:
                self._leave_lane(question)
            self._room.release()

    def _leave_lane(self, question: Question) -> None:
        """Whoever asked has what there is, or has gone away."""
        via = question.lane
        via.users -= 1
        self._end(question)
        if not via.users and self._retired and via in self._retired:
            self._retired.remove(via)
            self._close_lane(via)

    def another_lane(self, lane: int) -> int:
        """The number of a lane of the caller's own with a fresh local port, in the place of ``lane``; no other moves.

        Lane 0 is everybody's, and keeps its port for good. A box in the middle may send whatever comes from a known
        port where it sent it before, for as long as it keeps coming (moby/moby#8795): only a port from which this agent
        was not asked yet escapes that. Beyond PRIVATE_LANES_MAX a lane is shared with another that moved.
        """
        self.leave_lane(lane)
        following = [lane % PRIVATE_LANES_MAX + 1 + step for step in range(PRIVATE_LANES_MAX)]
        numbers = [(number - 1) % PRIVATE_LANES_MAX + 1 for number in following]
        number = min(numbers, key=lambda one: self._lane_owners[one])
        self._lane_owners[number] += 1
        return number

    def leave_lane(self, lane: int) -> None:
        """Its owner has another one, or is gone: the last one's sockets close, a question under way is seen out."""
        if not self._lane_owners[lane]:
            return
        self._lane_owners[lane] -= 1
        if self._lane_owners[lane]:
            return
        for family in (socket.AF_INET, socket.AF_INET6):
            old = self._lanes.pop((family, lane), None)
            if old is not None and old.users:
                self._retired.append(old)
            elif old is not None:
                self._close_lane(old)

    def now_us(self) -> int:
        """The clock of all deadlines (monotonic)."""
        return self._clock.monotonic_us()

    def random_64(self) -> int:
        """64 bits of the same unpredictable source as the request ids."""
        return (
            self._entropy.request_id() << 40 ^ self._entropy.request_id() << 20 ^ self._entropy.request_id()
        ) % 2**64

    @property
    def in_flight(self) -> int:
        return len(self._by_source)

    @property
    def kernel_drops(self) -> int:
        """Answers that the kernel dropped for want of room, over all sockets."""
        open_lanes = (*self._lanes.values(), *self._retired)
        return self._drops_of_closed + sum(lane.kernel_drops for lane in open_lanes)

    @property
    def receive_buffer_bytes(self) -> int:
        """The smallest receive buffer that the kernel granted; 0 before the first socket is open."""
        return min((lane.receive_buffer_bytes for lane in self._lanes.values()), default=0)

    @property
    def local_ports(self) -> tuple[int, ...]:
        return tuple(lane.port for lane in self._lanes.values())

    def close(self) -> None:
        """End every question as unanswered and close the sockets."""
        self._shut = True
        for question in list(self._by_source.values()):
            self._finish(question, Unanswered(SilenceReason.TIMEOUT, "the reader is closing"))
        self._deadlines.close()
        for lane in (*self._lanes.values(), *self._retired):
            self._close_lane(lane)
        self._lanes.clear()
        self._retired.clear()

    def _close_lane(self, lane: Lane) -> None:
        self._drops_of_closed += lane.kernel_drops
        lane.close()

    def _lane(self, family: int, number: int) -> Lane:
        where = (family, number)
        lane = self._lanes.get(where)
        if lane is None:
            lane = Lane(family, self._receive, self._on_icmp, receive_buffer_bytes=self._receive_buffer_bytes)
            self._lanes[where] = lane
        return lane

    def _try(self, question: Question) -> None:
        """Send once more and set the next deadline."""
        request_id = self._fresh_id()
        sent = Sent(self._clock.now_us(), self._clock.monotonic_us())
        self._by_id[request_id] = question
        self.stats.retries += bool(question.sent)
        question.sent[request_id] = sent
        error = question.lane.send(question.template.datagram(request_id), question.address.sockaddr)
        if question.done.done():
            return
        if isinstance(error, BlockingIOError):
            self.stats.unsent += 1
            del self._by_id[request_id], question.sent[request_id]
            self._deadlines.put(question, min(sent.monotonic_us + question.room_wait_us, question.deadline_us))
            question.room_wait_us = min(2 * question.room_wait_us, NO_ROOM_WAIT_MAX_US)
            return
        if error is not None:
            self.stats.unsent += 1
            text = f"{key_label(question.address.key)} can't be sent to: {error.strerror or error}"
            self._finish(question, Unanswered(SilenceReason.UNREACHABLE, text))
            return
        self.stats.sent += 1
        self._deadlines.put(question, min(sent.monotonic_us + question.wait_us, question.deadline_us))
        question.wait_us = int(question.wait_us * question.patience.growth)
        if question.on_sent is not None:
            question.on_sent(sent.monotonic_us)
            question.on_sent = None

    def _fresh_id(self) -> int:
        for _ in range(ID_DRAWS):
            request_id = four_octet_id(self._entropy.request_id())
            if request_id not in self._by_id:
                return request_id
        raise RuntimeError(f"{ID_DRAWS} draws gave no unused request id: the source of randomness is broken")

    def _on_due(self, question: Question) -> None:
        if question.done.done():
            return
        self.stats.stalls += question.lane.look()
        if question.done.done():
            return
        if self._clock.monotonic_us() >= question.deadline_us:
            self._finish(question, question.verdict(key_label(question.address.key)))
        elif len(question.sent) < question.patience.tries_max:
            self._try(question)
        else:
            self._deadlines.put(question, question.deadline_us)

    def _receive(self, lane: Lane, datagram: bytes, source: Key) -> None:
        if len(datagram) > DATAGRAM_BYTES_MAX:
            self._unreadable(source, f"more than {DATAGRAM_BYTES_MAX} bytes", DatagramRefusal.TOO_LARGE)
            return
        try:
            head = self._heads.read(datagram)
        except DecodeError as error:
            self._unreadable(source, str(error), DatagramRefusal.UNREADABLE)
            return
        question = self._by_id.get(head.request_id)
        if question is None or question.lane is not lane:
            late = self._note_late(head.request_id, source)
            self.stats.refuse(DatagramRefusal.LATE if late else DatagramRefusal.UNKNOWN_ID, key_label(source))
        elif not question.takes_from(source):
            moved = question.address.key[0] != source[0]
            self.stats.refuse(DatagramRefusal.WRONG_ADDRESS if moved else DatagramRefusal.WRONG_PORT, key_label(source))
            question.stray = key_label(source)
        else:
            try:
                response = question.template.open(datagram, head)
            except DecodeError as error:
                self._unreadable(source, str(error), DatagramRefusal.UNREADABLE)
                return
            except Unauthentic as error:
                # Anybody may have sent it: the genuine answer may still come.
                self.stats.refuse(DatagramRefusal.UNAUTHENTIC, key_label(source))
                question.unreadable = str(error)
                return
            sent = question.sent[head.request_id]
            took_us = max(0, self._clock.monotonic_us() - sent.monotonic_us)
            if isinstance(response, Report):
                answer = SnmpAnswer(NO_RESPONSE, sent.wall_us, sent.wall_us + took_us, response)
            else:
                answer = SnmpAnswer(response, sent.wall_us, sent.wall_us + took_us)
            self._finish(question, answer)

    def _note_late(self, request_id: int, source: Key) -> bool:
        """Whether it answers a question that was closed meanwhile."""
        closed = self._closed.get(request_id)
        if closed is None or closed.key != source:
            return False
        if not closed.answered:
            now_us = self._clock.monotonic_us()
            self._late.pop(source, None)
            while len(self._late) >= LATE_MAX:
                del self._late[next(iter(self._late))]
            self._late[source] = Late(now_us, now_us - closed.sent_us)
        return True

    def late_answer(self, key: Key) -> Late | None:
        """The last answer from there that came too late for its question."""
        return self._late.get(key)

    def _unreadable(self, source: Key, problem: str, kind: DatagramRefusal) -> None:
        """A good answer may still follow, so the request stays open; its end decides."""
        question = self._by_source.get(source)
        if question is None:
            self.stats.refuse(kind, key_label(source))
        else:
            self.stats.undecodable += 1
            question.unreadable = problem

    def _on_icmp(self, lane: Lane, icmp: Icmp) -> None:
        """Believed only if it quotes a request id that is awaited from that address."""
        self.stats.icmp += 1
        question = self._quoted(icmp.quoted)
        if question is None or question.lane is not lane or question.address.key != icmp.key:
            return
        asked = key_label(icmp.key)
        if icmp.number == errno.ECONNREFUSED:
            self._finish(question, Unanswered(SilenceReason.REFUSED, f"{asked}: nothing listens on that port", asked))
        else:
            # A host that wakes up is unreachable for a while: the further tries may still succeed.
            question.unreachable = os.strerror(icmp.number)

    def _quoted(self, datagram: bytes) -> Question | None:
        for pdu_tag in (GET, GET_NEXT):
            try:
                return self._by_id.get(read_head(datagram, pdu_tag).request_id)
            except DecodeError:
                continue
        return None

    def _finish(self, question: Question, result: SnmpAnswer | Unanswered) -> None:
        if not question.done.done():
            question.answered = isinstance(result, SnmpAnswer)
            question.done.set_result(result)
        self._end(question)

    def _end(self, question: Question) -> None:
        """No try of the question is awaited any more."""
        if question.ended:
            return
        question.ended = True
        self._deadlines.drop(question)
        if self._by_source.get(question.address.key) is question:
            del self._by_source[question.address.key]
        for request_id, sent in question.sent.items():
            if self._by_id.pop(request_id, None) is not None:
                self._closed[request_id] = Closed(question.address.key, sent.monotonic_us, question.answered)
        if len(self._closed) > CLOSED_IDS_MAX + CLOSED_IDS_MORE:
            # Many at once: the first of a dict is slow to find behind those that were deleted before it.
            for request_id in list(islice(self._closed, len(self._closed) - CLOSED_IDS_MAX)):
                del self._closed[request_id]
