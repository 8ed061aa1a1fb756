"""One UDP socket that many printers share: sending, draining, ICMP errors, and the kernel's own count of drops."""

from __future__ import annotations

import asyncio
import errno
import select
import socket
import struct
import sys
from collections.abc import Callable
from typing import Final, NamedTuple

from pagereeve.meters.snmp.address import Key, source_key

RECEIVE_BUFFER_BYTES = 4 * 2**20
# What waits for the hardware address of a printer that is off counts against the socket's send buffer, for seconds.
SEND_BUFFER_BYTES = 4 * 2**20
DATAGRAM_BYTES_MAX = 8192
DRAIN_MAX = 64
SEND_TRIES = 3

# Linux's numbers (asm-generic/socket.h, linux/in.h, linux/in6.h, linux/errqueue.h); Python 3.11 names none of them.
SO_SNDBUFFORCE: Final = 32
SO_RCVBUFFORCE: Final = 33
SO_MEMINFO: Final = 55
SK_MEMINFO_DROPS: Final = 8
IP_RECVERR: Final = 11
IPV6_RECVERR: Final = 25
MSG_ERRQUEUE: Final = 0x2000
ORIGIN_ICMP: Final = 2
ORIGIN_ICMP6: Final = 3
EXTENDED_ERROR: Final = struct.Struct("=IBBBBII")


class Icmp(NamedTuple):
    """An ICMP error: its errno, whom we had sent to, and what the error quotes of our datagram."""

    number: int
    key: Key
    quoted: bytes


def watched(open_socket: socket.socket) -> select.epoll | socket.socket:
    """What the loop watches in the socket's place, so that an error queued on the socket can't end the watching.

    libuv stops watching a descriptor on which it sees POLLERR (uv__poll_io in its src/unix/poll.c), and an ICMP error
    for any printer puts POLLERR on the socket that all of them share. An epoll descriptor is readable while the socket
    has datagrams or errors, and knows no other state (epoll(7)).
    """
    if sys.platform != "linux":
        return open_socket
    watching = select.epoll()
    watching.register(open_socket, select.EPOLLIN)
    return watching


class Lane:
    """A bound, non-blocking UDP socket read by the running loop until closed.

    ``receive(lane, datagram, source_key)`` is called for each datagram; one longer than DATAGRAM_BYTES_MAX arrives cut
    to one byte more. ``trouble(lane, icmp)`` for each ICMP error. ``users`` is for its owner to keep.
    """

    def __init__(
        self,
        family: int,
        receive: Callable[[Lane, bytes, Key], None],
        trouble: Callable[[Lane, Icmp], None],
        *,
        receive_buffer_bytes: int = RECEIVE_BUFFER_BYTES,
    ) -> None:
        self.family = family
        self.users = 0
        self._receive = receive
        self._trouble = trouble
        self._socket = socket.socket(family, socket.SOCK_DGRAM)
        try:
            self._socket.settimeout(0)
            self._set_up(receive_buffer_bytes)
            self._socket.bind(("", 0))
            self.loop = asyncio.get_running_loop()
            self._watched = watched(self._socket)
        except BaseException:
            self._socket.close()
            raise
        self.loop.add_reader(self._watched, self._on_readable)
        self._calls = 0
        self._suspect_calls = -1
        self._turn_ended = False

    def _set_up(self, receive_buffer_bytes: int) -> None:
        self._ask_for_room(SO_RCVBUFFORCE, socket.SO_RCVBUF, receive_buffer_bytes)
        self._ask_for_room(SO_SNDBUFFORCE, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
        if sys.platform != "linux":
            return
        if self.family == socket.AF_INET6:
            self._socket.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            self._socket.setsockopt(socket.IPPROTO_IPV6, IPV6_RECVERR, 1)
        else:
            self._socket.setsockopt(socket.IPPROTO_IP, IP_RECVERR, 1)

    def _ask_for_room(self, forced: int, granted: int, size_bytes: int) -> None:
        """``forced`` passes the administrator's limit, and needs a right that a daemon seldom has."""
        try:
            self._socket.setsockopt(socket.SOL_SOCKET, forced if sys.platform == "linux" else granted, size_bytes)
        except PermissionError:
            self._socket.setsockopt(socket.SOL_SOCKET, granted, size_bytes)

    @property
    def port(self) -> int:
        return int(self._socket.getsockname()[1])

    @property
    def receive_buffer_bytes(self) -> int:
        """What the kernel granted, as it counts: Linux says twice the size asked for, if granted in full."""
        return self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)

    @property
    def kernel_drops(self) -> int:
        """Datagrams that the kernel dropped because the receive buffer was full; 0 where it does not report this."""
        if sys.platform != "linux":
            return 0
        info = self._socket.getsockopt(socket.SOL_SOCKET, SO_MEMINFO, 36)
        return int(struct.unpack_from("=I", info, 4 * SK_MEMINFO_DROPS)[0]) if len(info) == 36 else 0

    def send(self, datagram: bytes, sockaddr: Key) -> OSError | None:
        """Hand a datagram to the kernel; the error if it would not take it, none if it only has no room now.

        An ICMP error for an earlier datagram surfaces here too and hinders the sending, so it is cleared first.
        """
        refused: OSError | None = None
        for _ in range(SEND_TRIES):
            try:
                self._socket.sendto(datagram, sockaddr)
            except BlockingIOError:
                return BlockingIOError(errno.EAGAIN, "the send buffer is full")
            except OSError as error:
                refused = error
                self._drain_errors()
            else:
                return None
        return refused

    def look(self) -> bool:
        """Read what lies unread; for when an answer is overdue. Whether the loop had stopped watching.

        A busy loop comes late, and is asked no further. Data unread at two looks with a whole turn of the loop between
        them and no call from it: it watches no longer, whatever the reason, and is made to watch again.
        """
        if not self._readable():
            self._suspect_calls = -1
            return False
        stalled = self._suspect_calls == self._calls and self._turn_ended
        if stalled:
            self._watch_again()
        self._suspect_calls, self._turn_ended = self._calls, False
        # The second call comes after the loop has looked at its descriptors once more.
        self.loop.call_soon(self.loop.call_soon, self._end_turn)
        self._read()
        return stalled

    def _end_turn(self) -> None:
        self._turn_ended = True

    def _readable(self) -> bool:
        poll = select.poll()
        poll.register(self._socket, select.POLLIN)
        return any(events & select.POLLIN for _, events in poll.poll(0))

    def _watch_again(self) -> None:
        self.loop.remove_reader(self._watched)
        if self._watched is not self._socket:
            self._watched.close()
        self._watched = watched(self._socket)
        self.loop.add_reader(self._watched, self._on_readable)

    def close(self) -> None:
        self.loop.remove_reader(self._watched)
        self._watched.close()
        self._socket.close()

    def _on_readable(self) -> None:
        self._calls += 1
        self._read()

    def _read(self) -> None:
        # Several datagrams for each turn of the loop: half the processor time of asyncio's own datagram transport.
        for turn in range(DRAIN_MAX):
            try:
                datagram, source = self._socket.recvfrom(DATAGRAM_BYTES_MAX + 1)
            except (BlockingIOError, InterruptedError):
                if turn == 0:
                    # Woken for nothing to read: an error is queued, and stays so until it is read.
                    self._drain_errors()
                return
            except OSError:
                self._drain_errors()
                continue
            self._receive(self, datagram, source_key(self.family, source))

    def _drain_errors(self) -> None:
        if sys.platform != "linux":
            return
        for _ in range(DRAIN_MAX):
            try:
                quoted, ancillary, _, sockaddr = self._socket.recvmsg(DATAGRAM_BYTES_MAX, 512, MSG_ERRQUEUE)
            except OSError:
                # Empty queue (EAGAIN): there is nothing more to report.
                return
            for _, _, content in ancillary:
                if len(content) >= EXTENDED_ERROR.size and sockaddr:
                    number, origin, *_ = EXTENDED_ERROR.unpack_from(content)
                    if origin in {ORIGIN_ICMP, ORIGIN_ICMP6}:
                        self._trouble(self, Icmp(number, source_key(self.family, sockaddr), quoted))
