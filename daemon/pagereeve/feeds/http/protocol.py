"""uvicorn's HTTP/1.1 protocol with limits on all that comes before and around a body.

The parser below it keeps a header value by adding piece to piece, in a time that grows with the square of its length,
and knows no limit for a head, for header lines, for chunk extensions, for trailers, for pipelined requests or for the
time that any of them takes. Here bytes are counted before they reach it.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Sized
from dataclasses import dataclass
from enum import Enum
from functools import partial
from typing import Final

import httptools
from uvicorn._types import ASGI3Application
from uvicorn.config import Config
from uvicorn.protocols.http.flow_control import FlowControl
from uvicorn.protocols.http.httptools_impl import STATUS_LINE, HttpToolsProtocol, RequestResponseCycle
from uvicorn.server import ServerState

from pagereeve.feeds.admission import Connections, Slot
from pagereeve.feeds.http.answers import CLIENT_NAMES, LOCAL_UID, ON_ADMITTED
from pagereeve.feeds.http.client_certificates import names_of
from pagereeve.feeds.http.hosts import Hosts, host_asked_for
from pagereeve.feeds.refusals import HTTP_REASONS, Refusal, problem_of
from pagereeve.feeds.stats import ConnectionReason, FeedStats

# The parser is fed in pieces, so that a limit is noticed at most this many bytes late.
PIECE_BYTES: Final = 4_096
# What a chunked body may spend on chunk sizes and line ends for each byte of its own: "1 CR LF x CR LF" is five.
FRAMING_BYTES: Final = 8
# Of a body that nobody reads, since it was answered already. More ends the connection.
UNREAD_BODY_MAX_BYTES: Final = 65_536


@dataclass(frozen=True, slots=True)
class WireLimits:
    """What one connection may cost before the endpoint sees anything of it.

    head_max_bytes   a request's line and header lines, one of them alone or all. As much again for the chunk sizes,
                     extensions and trailers that its body does not pay for
    headers_max      header lines and trailers of one request
    head_s           from the first byte of a request (or the connection) to the end of its head
    body_s           from there to the end of its body; the endpoint answers sooner, this ends what it does not read
    idle_s           from an answer to the next request
    unread_s         for a sender to read what it is answered
    pipelined_max    requests of one connection that wait for the one before them (RFC 9112 section 9.3.2)
    """

    head_max_bytes: int = 16_384
    headers_max: int = 100
    head_s: float = 10.0
    body_s: float = 15.0
    idle_s: float = 30.0
    unread_s: float = 30.0
    pipelined_max: int = 8


class _Stop(Exception):
    """The parser must not go on."""


class _Phase(Enum):
    """What a connection waits for."""

    SILENT = "its first byte"
    HEAD = "the rest of a head"
    BODY = "the rest of a body"
    ANSWER = "an answer of ours"
    IDLE = "another request"


class _Flow(FlowControl):
    """Reads on only when no request waits for the one before it; uvicorn's own reads on after each answer."""

    def __init__(self, transport: asyncio.Transport, waiting: Sized) -> None:
        super().__init__(transport)
        self._waiting = waiting

    def resume_reading(self) -> None:
        if not self._waiting:
            super().resume_reading()


class BoundedProtocol(HttpToolsProtocol):
    """One connection of the HTTP endpoint. ``sweep`` must be called now and then."""

    def __init__(
        self,
        config: Config,
        server_state: ServerState,
        *,
        limits: WireLimits,
        stats: FeedStats,
        connections: Connections,
        slot: Slot,
        hosts: Callable[[], Hosts | None] = lambda: None,
    ) -> None:
        super().__init__(config, server_state, {}, asyncio.get_running_loop())
        self._limits = limits
        self._stats = stats
        self._connections = connections
        self._slot = slot
        self._hosts = hosts
        self._client_names: tuple[str, ...] = ()
        self._on_admitted = partial(connections.know, slot)
        self._refusal: Refusal | None = None
        self._refused = False
        self._running: RequestResponseCycle | None = None
        self._framing_bytes = 0
        self._header_lines = 0
        self._unread_body_bytes = 0
        self._unread_since_s: float | None = None
        self._seconds: dict[_Phase, float] = {
            _Phase.SILENT: limits.head_s,
            _Phase.HEAD: limits.head_s,
            _Phase.BODY: limits.body_s,
            _Phase.IDLE: limits.idle_s,
        }
        self._enter(_Phase.SILENT)

    def _enter(self, phase: _Phase) -> None:
        self._phase = phase
        self._since_s = self.loop.time()

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as uvicorn does
        super().connection_made(transport)
        self.flow = _Flow(transport, self.pipeline)
        self._slot.drop = self._abort
        self._client_names = names_of(transport.get_extra_info("peercert"))
        self._stats.connections += 1
        self._stats.connections_open += 1

    def connection_lost(self, exc: Exception | None) -> None:
        self._stats.connections_open -= 1
        self._connections.release(self._slot)
        self._hang_up()
        self._unset_keepalive_if_required()
        super().connection_lost(exc)
        # Protocol, transport and cycles hold one another until the collector comes: let no body wait for it.
        for cycle in (self.cycle, *(cycle for cycle, _ in self.pipeline)):
            if cycle is not None:
                cycle.body = bytearray()
        self.pipeline.clear()

    def data_received(self, data: bytes) -> None:
        if self._refused or self.transport.is_closing():
            return
        self._unset_keepalive_if_required()
        self._connections.heard(self._slot)
        if self._phase in {_Phase.SILENT, _Phase.IDLE}:
            self._enter(_Phase.HEAD)
        view = memoryview(data)
        for start in range(0, len(view), PIECE_BYTES):
            if not self._feed(view[start : start + PIECE_BYTES]):
                return

    def _feed(self, piece: memoryview) -> bool:
        """Whether the next piece may follow."""
        self._framing_bytes += len(piece)
        try:
            self.parser.feed_data(piece)
        except httptools.HttpParserUpgrade:
            return False  # no other protocol is spoken here, and an upgrade may be ignored (RFC 9110 section 7.8)
        except httptools.HttpParserError:
            self._refuse(self._refusal or Refusal("bad-http", "request", "can't be read; send HTTP/1.1 (RFC 9112)"))
            return False
        if self._framing_bytes > self._limits.head_max_bytes:
            self._refuse(self._too_large(f"is more than {self._limits.head_max_bytes} bytes long; send less"))
            return False
        return not self.transport.is_closing()

    def _too_large(self, problem: str) -> Refusal:
        where = "chunks and trailers" if self._phase is _Phase.BODY else "request line and header lines"
        return Refusal("head-too-large", where, problem)

    def _stop(self, refusal: Refusal) -> _Stop:
        """To be raised inside the parser, out of which an error of its own comes. What is kept was never raised: its
        traceback would hold this protocol, and wait with it for the collector of cycles.
        """
        self._refusal = refusal
        return _Stop()

    def on_message_begin(self) -> None:
        super().on_message_begin()
        self.scope[ON_ADMITTED] = self._on_admitted  # type: ignore[typeddict-unknown-key]  # ours
        self.scope[LOCAL_UID] = self._slot.uid  # type: ignore[typeddict-unknown-key]  # ours
        self.scope[CLIENT_NAMES] = self._client_names  # type: ignore[typeddict-unknown-key]  # ours
        self._header_lines = 0
        self._unread_body_bytes = 0
        self._enter(_Phase.HEAD)

    def on_header(self, name: bytes, value: bytes) -> None:
        self._header_lines += 1
        if self._header_lines > self._limits.headers_max:
            raise self._stop(self._too_large(f"are more than {self._limits.headers_max} lines; send fewer"))
        if self._phase is not _Phase.BODY:  # a trailer is dropped, as it may be (RFC 9110 section 6.5.1)
            super().on_header(name, value)

    def on_headers_complete(self) -> None:
        if len(self.pipeline) >= self._limits.pipelined_max:
            problem = f"has {len(self.pipeline)} requests that wait; send the next when they are answered"
            raise self._stop(Refusal("too-many-requests", "connection", problem))
        self._require_our_host()
        self._framing_bytes = 0
        self._enter(_Phase.BODY)
        super().on_headers_complete()

    def _require_our_host(self) -> None:
        """Before anything of the request is looked at. Raises _Stop."""
        hosts = self._hosts()
        if hosts is None:
            return
        lines = [value for name, value in self.headers if name == b"host"]
        try:
            host = host_asked_for(self.url, lines, self.parser.get_http_version())
            hosts.require(host, self.server[0] if self.server else "")
        except Refusal as refusal:
            raise self._stop(refusal.with_traceback(None)) from None

    def on_body(self, body: bytes) -> None:
        self._framing_bytes = max(0, self._framing_bytes - len(body) * (1 + FRAMING_BYTES))
        if self.cycle.response_complete:
            self._unread_body_bytes += len(body)
            if self._unread_body_bytes > UNREAD_BODY_MAX_BYTES:
                problem = "goes on after its answer; send what is asked for"
                raise self._stop(Refusal("too-large", "body", problem))
        super().on_body(body)

    def on_message_complete(self) -> None:
        self._framing_bytes = 0
        self._enter(_Phase.IDLE if self.cycle.response_complete else _Phase.ANSWER)
        super().on_message_complete()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        if self._phase is _Phase.ANSWER and self.cycle.response_complete:
            self._enter(_Phase.IDLE)

    def _refuse(self, refusal: Refusal) -> None:
        """Count it, answer it if no other answer is on its way, and end the connection."""
        self._refused = True
        self._stats.refused[refusal.reason] += 1
        cycle = self.cycle
        if cycle is not None and not cycle.response_complete:
            if cycle.response_started or self._running is not cycle:
                self._abort()
                return
            cycle.disconnected = True
            cycle.message_event.set()
        self.transport.write(_answer(refusal))
        self.transport.close()

    def sweep(self, now_s: float) -> None:
        """End what has used up its time."""
        if self._left_unread(now_s):
            self._end("slow-reader")
            return
        limit_s = self._seconds.get(self._phase)
        if limit_s is None or self.transport.is_closing():
            return
        if self.flow.read_paused:  # it is we who do not read
            self._since_s = now_s
        elif now_s - self._since_s >= limit_s:
            self._overdue()

    def _left_unread(self, now_s: float) -> bool:
        if not self.transport.get_write_buffer_size():
            self._unread_since_s = None
            return False
        self._unread_since_s = now_s if self._unread_since_s is None else self._unread_since_s
        return now_s - self._unread_since_s >= self._limits.unread_s

    def _overdue(self) -> None:
        match self._phase:
            case _Phase.SILENT:
                self._end("silent")
            case _Phase.IDLE:
                self.transport.close()
            case _:
                where = "head" if self._phase is _Phase.HEAD else "body"
                late = f"was not complete after {self._seconds[self._phase]:g} s; send it again"
                self._refuse(Refusal("too-slow", where, late))

    def _end(self, reason: ConnectionReason) -> None:
        self._connections.end(self._slot, reason)

    def _abort(self) -> None:
        """At once; what is being answered may not write any more."""
        self._refused = True
        self._hang_up()
        self.transport.abort()

    def _hang_up(self) -> None:
        """Uvicorn does so for the newest of pipelined requests alone."""
        if self._running is not None and not self._running.response_complete:
            self._running.disconnected = True
            self._running.message_event.set()

    def _start_asgi_task(self, cycle: RequestResponseCycle, app: ASGI3Application) -> None:
        self._running = cycle
        super()._start_asgi_task(cycle, app)


def _answer(refusal: Refusal) -> bytes:
    """A whole response: what is wrong, as an RFC 9457 problem."""
    body = json.dumps(problem_of(refusal), separators=(",", ":")).encode()
    lines = (
        STATUS_LINE[HTTP_REASONS[refusal.reason][0]],
        b"content-type: application/problem+json\r\n",
        b"content-length: %d\r\n" % len(body),
        b"connection: close\r\n\r\n",
        body,
    )
    return b"".join(lines)
