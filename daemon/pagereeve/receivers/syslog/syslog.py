"""Messages to a syslog collector: RFC 5424 records over UDP (RFC 5426), TCP (RFC 6587) or TLS (RFC 5425).

Syslog has no acknowledgement. Over TCP and TLS a record that the collector's machine accepted may
still be lost with the collector; over UDP it may be lost anywhere. So "delivered" means here: over UDP that it was sent
and that no report of a closed port came at once; over TCP and TLS that it was written to an open connection,
and that the collector did not break it off. Where no message may be lost, a webhook or e-mail belongs beside it.

Over TCP and TLS each message has a connection of its own: alerts are rare, and a firewall or NAT in between forgets
an idle connection silently, so that the first record after hours would vanish. At the end our side is closed, and
the collector gets a little time to close its own, which it does when it has read everything.
"""

from __future__ import annotations

import asyncio
import os
import select
import socket
import ssl
from contextlib import suppress
from typing import Final

from pagereeve.domain.alerts.message import Notification
from pagereeve.ports.clock import Clock
from pagereeve.ports.receiver import NotDelivered
from pagereeve.receivers.events import EventReceiver
from pagereeve.receivers.kind import certificates, host_name
from pagereeve.receivers.syslog.settings import SyslogSettings
from pagereeve.receivers.syslog.text import FACILITIES, RecordForm, record_of
from pagereeve.receivers.wording import one_line

CONNECT_S: Final = 5.0
FAREWELL_S: Final = 1.0
# How long a closed UDP port is given to say so (ICMP, RFC 1122 section 4.1.3.3).
UNREACHABLE_S: Final = 0.2
_GONE: Final = select.POLLRDHUP | select.POLLHUP | select.POLLERR


class SyslogReceiver(EventReceiver):
    """ports.notify.Receiver for events, with no acknowledgement: the module says what "delivered" means here.

    ``tls`` is for that transport; None: the certificate is checked against the system's.
    """

    def __init__(self, settings: SyslogSettings, form: RecordForm, *, tls: ssl.SSLContext | None = None) -> None:
        super().__init__(settings.name)
        self._settings = settings
        self._form = form
        self._tls = (tls or ssl.create_default_context()) if settings.transport == "tls" else None

    async def deliver(self, notification: Notification) -> None:
        settings = self._settings
        record = record_of(notification, self._form)
        try:
            async with asyncio.timeout(settings.timeout.seconds):
                await (self._by_datagram(record) if settings.transport == "udp" else self._by_stream(record))
        except TimeoutError as error:
            raise NotDelivered(f"{settings.server} did not take it within {settings.timeout.seconds:g} s") from error
        except OSError as error:
            reason = one_line(str(error), 200) or type(error).__name__
            raise NotDelivered(f"{settings.server} can't be reached: {reason}") from error

    async def _by_datagram(self, record: bytes) -> None:
        loop = asyncio.get_running_loop()
        address = (self._settings.server.host, self._settings.server.port)
        transport, refusal = await loop.create_datagram_endpoint(_Refusal, remote_addr=address)
        try:
            transport.sendto(record)
            await refusal.raise_if_told()
        finally:
            transport.close()

    async def _by_stream(self, record: bytes) -> None:
        reader, writer = await self._connected()
        try:
            if _is_gone(reader, writer):
                raise ConnectionResetError("the connection was closed at once")
            writer.write(framed(record))
            await writer.drain()
            await _farewell(reader, writer)
        finally:
            writer.close()
            # What is still open is let go; whatever the other side makes of that, the record is with it or was not.
            with suppress(OSError):
                async with asyncio.timeout(FAREWELL_S):
                    await writer.wait_closed()

    async def _connected(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        settings = self._settings
        async with asyncio.timeout(min(CONNECT_S, settings.timeout.seconds)):
            return await asyncio.open_connection(settings.server.host, settings.server.port, ssl=self._tls, limit=4096)


def make_syslog(settings: SyslogSettings, _: Clock) -> SyslogReceiver:
    """Raises NoSecret."""
    form = RecordForm(
        facility=FACILITIES[settings.facility],
        host_name=host_name(),
        process_id=str(os.getpid()),
        structured_id=settings.structured_id,
    )
    return SyslogReceiver(settings, form, tls=certificates(settings.ca_file))


def framed(record: bytes) -> bytes:
    """Octet counting: the length in decimal, a space, the record (RFC 6587 section 3.4.1, RFC 5425 section 4.3)."""
    return str(len(record)).encode() + b" " + record


def _is_gone(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> bool:
    """Whether the other side has closed, also where the event loop has not noticed it yet."""
    if reader.at_eof() or writer.is_closing():
        return True
    sock: socket.socket = writer.get_extra_info("socket")
    poll = select.poll()
    poll.register(sock.fileno(), _GONE)
    return bool(poll.poll(0))


async def _farewell(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Closes our side, and waits a little for the other's. Raises OSError where it broke the connection off instead."""
    if writer.can_write_eof():
        writer.write_eof()
    # Not every collector closes when we do: it has the record all the same, as far as anybody knows.
    with suppress(TimeoutError):
        async with asyncio.timeout(FAREWELL_S):
            await reader.read(1)


class _Refusal(asyncio.DatagramProtocol):
    """Receives the other machine's report that the port is closed."""

    def __init__(self) -> None:
        self._told: asyncio.Future[None] = asyncio.get_running_loop().create_future()

    def error_received(self, exc: Exception) -> None:
        if not self._told.done():
            self._told.set_exception(exc)

    async def raise_if_told(self) -> None:
        """Raises OSError."""
        with suppress(TimeoutError):
            async with asyncio.timeout(UNREACHABLE_S):
                await self._told
