"""One gateway's connection and its own to the release server: every byte passes, both ways, unaltered.

The bytes are on their way before our own side looks at them, and a look is a call that returns at once; what it raises
is reported and forgotten. Only the two ends hold the stream up: a server that reads slowly slows the gateway down, as
it would without us. Half-closes and resets are passed on as what they are.
"""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import socket
import struct
import sys
import termios
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol, cast

from pagereeve.relay.counts import Counts
from pagereeve.relay.turns import Turns

Report = Callable[[str, Exception | None], None]
"""What happened, and by what error; must not raise and not wait."""

BUFFER_MAX_BYTES: Final = 64 * 1024
# Small, so that a connection that floods us gets its turn and no more: others wait for a look at so many bytes.
READ_BYTES: Final = 1024
_KEEPALIVE: Final = ((socket.TCP_KEEPIDLE, 60), (socket.TCP_KEEPINTVL, 15), (socket.TCP_KEEPCNT, 4))


class Look(Protocol):
    """Our own side. All return at once. ``at_us`` is when the bytes came, before anybody else could have them.

    Between ``hold`` and ``go_on`` nothing is read of the gateway: that nothing comes is then no pause of its.
    """

    def look(self, chunk: bytes, at_us: int) -> None: ...

    def hold(self) -> None: ...

    def go_on(self) -> None: ...

    def end(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Patience:
    """connect_s       until a release server counts as unreachable
    orphan_s        how long a gateway is still listened to when it does; then its connection is closed
    half_closed_s   how long one direction may go on when the other has ended
    close_s         for what is still to be sent when both have
    """

    connect_s: float = 5.0
    orphan_s: float = 2.0
    half_closed_s: float = 3600.0
    close_s: float = 30.0


class End(asyncio.BufferedProtocol):
    """One of the two connections. ``passage`` connects it with the other."""

    transport: asyncio.Transport

    def __init__(self, passage: Passage) -> None:
        self._passage = passage
        self.opened = False
        self.ended = False
        self.lost = False
        self._buffer = memoryview(bytearray(READ_BYTES))
        self._holds: set[str] = set()
        self._closing: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        # Both loops' TCP transports have all of it, though uvloop's is no subclass.
        self.transport = cast("asyncio.Transport", transport)
        self.opened = True
        self.transport.set_write_buffer_limits(high=BUFFER_MAX_BYTES)
        _keep_alive(self.transport)
        self._passage.opened(self)

    def get_buffer(self, _sizehint: int) -> memoryview:
        return self._buffer

    def buffer_updated(self, nbytes: int) -> None:
        wait_us = self._passage.received(self, bytes(self._buffer[:nbytes]))
        if wait_us or nbytes == READ_BYTES:
            # There may be more, and libuv would read on up to 32 times: first come the others.
            self.hold("its turn is over")
            asyncio.get_running_loop().call_later(wait_us / 1e6, self.let_go, "its turn is over")

    def eof_received(self) -> bool:
        """True keeps the other direction open."""
        if not self.ended:
            self.ended = True
            self._passage.ended(self)
        return True

    def pause_writing(self) -> None:
        self._passage.other(self).hold("other end is slow")

    def resume_writing(self) -> None:
        self._passage.other(self).let_go("other end is slow")

    def connection_lost(self, exc: Exception | None) -> None:
        self.lost = True
        if self._closing is not None:
            self._closing.cancel()
        self._passage.lost(self, exc)

    @property
    def usable(self) -> bool:
        return self.opened and not self.lost and not self.transport.is_closing()

    def hold(self, why: str) -> None:
        """Read no more until every reason to wait is gone."""
        self._holds.add(why)
        if self.usable and self.transport.is_reading():
            self.transport.pause_reading()
            self._passage.held(self)

    def let_go(self, why: str) -> None:
        self._holds.discard(why)
        if not self._holds and self.usable and not self.transport.is_reading():
            self.transport.resume_reading()
            self._passage.goes_on(self)

    def write(self, data: bytes) -> None:
        if self.usable:
            self.transport.write(data)

    def end(self) -> None:
        """Pass the end of one direction on (a half-close), after all that was written before it."""
        if self.usable and self.transport.can_write_eof():
            self.transport.write_eof()

    def close(self, within_s: float) -> None:
        """Send what is still to be sent, within a limit; what then remains is cut off."""
        if self.usable:
            self.transport.close()
            self._closing = asyncio.get_running_loop().call_later(within_s, self.transport.abort)

    def reset(self) -> None:
        """Drop the connection so that the other end sees a reset, not an orderly end."""
        if not self.usable:
            return
        # Lingering for no time makes the kernel send RST (socket(7)).
        with contextlib.suppress(OSError):  # closed by the kernel, while the event loop does not know it yet
            found = self.transport.get_extra_info("socket")
            found.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self.transport.abort()

    @property
    def unsent(self) -> bool:
        """Whether bytes are still on the way there: a reset would throw them away, in the kernel's queue too."""
        if self.transport.get_write_buffer_size():
            return True
        with contextlib.suppress(OSError):  # as above: then nothing can be sent any more
            # SIOCOUTQ of tcp(7): what the other end has not acknowledged. It has the number of TIOCOUTQ.
            answer = fcntl.ioctl(self.transport.get_extra_info("socket").fileno(), termios.TIOCOUTQ, b"\0\0\0\0")
            return int.from_bytes(answer, sys.byteorder) > 0
        return False


class Passage:
    """``look`` is made once the gateway's peer is known; ``over`` is called when both connections are gone."""

    def __init__(
        self,
        target: tuple[str, int],
        counts: Counts,
        patience: Patience,
        *,
        welcome: Callable[[Passage, str], Look | None],
        over: Callable[[Passage], None],
        now_us: Callable[[], int],
        turns: Turns,
        report: Report,
    ) -> None:
        self.gateway = End(self)
        self.server = End(self)
        self.spoke = False
        self._target = target
        self._counts = counts
        self._patience = patience
        self._welcome = welcome
        self._over = over
        self._now_us = now_us
        self._turns = turns
        self._peer = ""
        self._report = report
        self._look: Look | None = None
        self._early: list[bytes] = []
        self._early_bytes = 0
        self._orphaned = False
        self._connecting: asyncio.Task[None] | None = None
        self._timer: asyncio.TimerHandle | None = None

    def other(self, end: End) -> End:
        return self.server if end is self.gateway else self.gateway

    def opened(self, end: End) -> None:
        if end is self.server:
            self._forward_what_came_early()
            return
        name = end.transport.get_extra_info("peername")
        self._peer = str(name[0]) if name else ""
        self._look = self._welcome(self, self._peer)
        if self._look is not None:
            self._connecting = asyncio.get_running_loop().create_task(self._connect())

    async def _connect(self) -> None:
        try:
            async with asyncio.timeout(self._patience.connect_s):
                await asyncio.get_running_loop().create_connection(lambda: self.server, *self._target)
        except (OSError, UnicodeError) as error:  # TimeoutError is an OSError; UnicodeError: a host that is no name
            self._counts.unreachable += 1
            self._report("the release server could not be reached", error)
            self._orphan()

    def _orphan(self) -> None:
        """Nobody to forward to: what the gateway still sends now is copied, and then it is closed."""
        self._orphaned = True
        self._early.clear()
        self.server.lost = True
        if self.gateway.ended or self.gateway.lost:
            self.stop()
        else:
            self.gateway.let_go("too much came early")
            self._after(self._patience.orphan_s, self.stop)

    def _forward_what_came_early(self) -> None:
        for chunk in self._early:
            self.server.write(chunk)
            self._counts.forwarded_bytes += len(chunk)
        self._early.clear()
        if self.gateway.ended:
            self.server.end()
            self._after(self._patience.half_closed_s, self._break)
        if self.gateway.lost:
            self.server.close(self._patience.close_s)
        self.gateway.let_go("too much came early")

    def received(self, end: End, data: bytes) -> int:
        """How long this end has to wait until it is read again, in µs: its peer had more than its share of the time."""
        began_us = self._turns.worked_us()
        if end is self.server:
            self._counts.returned_bytes += len(data)
            self.gateway.write(data)
        else:
            self._forward(data)
        return self._turns.took(self._peer, self._turns.worked_us() - began_us)

    def _forward(self, data: bytes) -> None:
        # Before the release server has them: what it does with a badge is later than the badge.
        at_us = self._now_us()
        self.spoke = True
        if self.server.opened:
            self._counts.forwarded_bytes += len(data)
            self.server.write(data)
        elif not self._orphaned:
            self._early.append(data)
            self._early_bytes += len(data)
            if self._early_bytes >= BUFFER_MAX_BYTES:
                self.gateway.hold("too much came early")
        if self._look is not None:
            self._guarded(self._look.look, data, at_us)

    def held(self, end: End) -> None:
        if end is self.gateway and self._look is not None:
            self._guarded(self._look.hold)

    def goes_on(self, end: End) -> None:
        if end is self.gateway and self._look is not None:
            self._guarded(self._look.go_on)

    def ended(self, end: End) -> None:
        """One direction has ended; the other may go on for a while."""
        if end is self.gateway:
            self._end_look()
        self.other(end).end()
        if self._orphaned or (self.gateway.ended and self.server.ended):
            self.stop()
        elif self.server.opened or end is self.server:
            self._after(self._patience.half_closed_s, self._break)

    def lost(self, end: End, error: Exception | None) -> None:
        """What reset one end resets the other, unless there are bytes on the way there: these come first."""
        if end is self.gateway:
            self._end_look()
        other = self.other(end)
        if error is not None and other.usable:
            self._counts.broken += 1
            if end.ended or other.unsent:
                other.close(self._patience.close_s)
            else:
                other.reset()
        elif error is None and other.usable:
            other.close(self._patience.close_s)
        self._end_if_over()

    def stop(self) -> None:
        """Both ends are closed, after what is on the way to them."""
        for end in (self.server, self.gateway):
            end.close(self._patience.close_s)
        self._end_if_over()

    def refuse(self) -> None:
        self.gateway.reset()

    def _break(self) -> None:
        """One direction has ended long ago, and the other goes on for ever."""
        self._counts.broken += 1
        for end in (self.server, self.gateway):
            end.reset()

    def _end_if_over(self) -> None:
        if not self.gateway.lost or not (self.server.lost or self._connecting is None):
            return
        if self._timer is not None:
            self._timer.cancel()
        self._over(self)

    def _after(self, seconds: float, do: Callable[[], None]) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = asyncio.get_running_loop().call_later(seconds, do)

    def _end_look(self) -> None:
        if self._look is not None:
            self._guarded(self._look.end)

    def _guarded(self, call: Callable[..., None], *arguments: object) -> None:
        try:
            call(*arguments)
        except Exception as error:  # noqa: BLE001 - whatever our own side does, the stream goes on; it is reported
            self._report("a copy could not be made", error)


def _keep_alive(transport: asyncio.Transport) -> None:
    """A gateway that loses its power says no goodbye: the kernel finds out within two minutes."""
    found = transport.get_extra_info("socket")
    with contextlib.suppress(OSError):  # it is gone again already, which the event loop says next
        found.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        for option, value in _KEEPALIVE:
            found.setsockopt(socket.IPPROTO_TCP, option, value)
