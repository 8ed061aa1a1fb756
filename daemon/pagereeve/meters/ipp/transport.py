"""IPP messages over HTTP and HTTPS (RFC 8010 section 4, RFC 7472): one POST, and what came back.

Of a printer's certificate its entry says what is checked. Printers sign their own, for names that they don't have
outside their network: without a fingerprint or an authority the connection is encrypted, and nobody is checked.
"""

from __future__ import annotations

import hashlib
import socket
import ssl
from dataclasses import dataclass
from http.cookiejar import CookieJar, DefaultCookiePolicy
from pathlib import Path
from typing import Any, Final

import httpx2

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.meters.ipp.bounded import BoundedTransport
from pagereeve.meters.ipp.ended import IppEnded
from pagereeve.meters.ipp.message import ANSWER_BYTES_MAX
from pagereeve.meters.snmp.address import NameNotFound, Resolver
from pagereeve.meters.snmp.stats import MeterStats
from pagereeve.ports.clock import Clock
from pagereeve.ports.meter import IppTls, MeterTarget

NOT_FOUND, UPGRADE_REQUIRED = 404, 426
# HTTP's own words for one who is not let in (RFC 9110 section 15.5).
NOT_ADMITTED: Final = frozenset({401, 403, 407})
# A printer has one of its counters and one of its jobs under way; those that never answer must leave room for others.
CONNECTIONS_MAX: Final = 8_192
IDLE_MAX: Final = 16
# Pieces of a chunked answer (RFC 9112 section 7.1): each costs a turn of its own, however small it is.
PIECES_MAX: Final = 4_096


@dataclass(frozen=True, slots=True)
class Posted:
    """``body`` is None where there is nothing at the path. ``fingerprint`` is of the certificate, empty without TLS."""

    body: bytes | None
    fingerprint: str = ""


class IppTransport:
    """Connections to printers, kept for a while; one pool for each way in which certificates are checked."""

    def __init__(self, clock: Clock, stats: MeterStats | None = None) -> None:
        self._clients: dict[Path | None, httpx2.AsyncClient] = {}
        self._resolver = Resolver(clock, stats or MeterStats())

    async def in_figures(self, host: str, port: int, wait_s: float) -> str:
        """The host's address: some printers refuse a Host that they don't know, and none a number. Raises IppEnded."""
        try:
            address = await self._resolver.resolve(host, port, wait_s)
        except NameNotFound as error:
            raise IppEnded(SilenceReason.NAME_NOT_FOUND, str(error)) from error
        shown = str(address.key[0])
        return f"[{shown}]" if address.family is socket.AF_INET6 else shown

    def look_up_again(self, host: str, port: int) -> None:
        """At that address nobody answers."""
        self._resolver.forget(host, port)

    async def post(self, target: MeterTarget, place: str, body: bytes, wait_s: float) -> Posted:
        """``place`` is host, port and path; each step of it has ``wait_s``. IPP's own status comes with HTTP's 200
        alone (RFC 8010 section 3.4.3).

        Raises IppEnded.
        """
        tls = target.ipp_tls
        client = self._client(None if tls is None else tls.ca_file)
        try:
            async with client.stream(
                "POST",
                f"{'http' if tls is None else 'https'}://{place}",
                content=body,
                timeout=wait_s,
                extensions={"sni_hostname": target.host},
            ) as response:
                fingerprint = "" if tls is None else _checked(response, place, tls)
                if response.status_code == NOT_FOUND:
                    return Posted(None, fingerprint)
                if response.status_code != 200:
                    raise _refused(response.status_code, place)
                return Posted(await _whole(response, place), fingerprint)
        except (httpx2.TransportError, ssl.SSLError) as error:
            raise _explained(error, place, tls) from error
        except (httpx2.InvalidURL, UnicodeError) as error:
            raise IppEnded(SilenceReason.MALFORMED, f"{place} answered what is no HTTP: {error}") from error

    async def close(self) -> None:
        await self._resolver.close()
        for client in self._clients.values():
            await client.aclose()

    def _client(self, ca_file: Path | None) -> httpx2.AsyncClient:
        """Proxies and other settings of the environment are not used, redirects not followed, and cookies not kept:
        printers behind one gateway share its host, and would be sent one another's.
        """
        if ca_file not in self._clients:
            limits = httpx2.Limits(
                max_connections=CONNECTIONS_MAX, max_keepalive_connections=IDLE_MAX, keepalive_expiry=30
            )
            headers = {"content-type": "application/ipp", "accept-encoding": "identity", "user-agent": "pagereeve"}
            self._clients[ca_file] = httpx2.AsyncClient(
                transport=BoundedTransport(verify=_context(ca_file), limits=limits, trust_env=False),
                trust_env=False,
                headers=headers,
                cookies=CookieJar(DefaultCookiePolicy(allowed_domains=())),
            )
        return self._clients[ca_file]


def _context(ca_file: Path | None) -> ssl.SSLContext:
    """Raises IppEnded where the file holds no authority."""
    if ca_file is None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.check_hostname = False
        context.verify_mode = ssl.CERT_NONE
        return context
    try:
        return ssl.create_default_context(cafile=str(ca_file))
    except OSError as error:
        text = f"ipp_ca_file {ca_file} can't be used: {error.strerror or error}; it holds PEM certificates"
        raise IppEnded(SilenceReason.NOT_ADMITTED, text) from error


def _checked(response: httpx2.Response, place: str, tls: IppTls) -> str:
    """The fingerprint of the certificate shown. Raises IppEnded where it is not the one that is accepted."""
    stream: Any = response.extensions.get("network_stream")
    shown = None if stream is None else stream.get_extra_info("ssl_object").getpeercert(binary_form=True)
    fingerprint = "" if shown is None else hashlib.sha256(shown).hexdigest()
    if tls.fingerprint and fingerprint != tls.fingerprint:
        text = f"{place} shows another certificate: SHA-256 {fingerprint or 'none'}, not {tls.fingerprint}"
        todo = "if the printer renewed it, compare it at the printer and write it as ipp_fingerprint"
        raise IppEnded(SilenceReason.WRONG_DEVICE, f"{text}; {todo}")
    return fingerprint


async def _whole(response: httpx2.Response, place: str) -> bytes:
    data, pieces = b"", 0
    async for chunk in response.aiter_raw():
        data, pieces = data + chunk, pieces + 1
        if pieces > PIECES_MAX:
            raise IppEnded(SilenceReason.MALFORMED, f"{place} answered in more than {PIECES_MAX} pieces")
        if len(data) > ANSWER_BYTES_MAX:
            raise IppEnded(SilenceReason.MALFORMED, f"{place} answered more than {ANSWER_BYTES_MAX} octets")
    return data


def _refused(status: int, place: str) -> IppEnded:
    text = f"{place} answered HTTP {status}"
    if status == UPGRADE_REQUIRED:
        return IppEnded(SilenceReason.NOT_ADMITTED, f"{text}: it wants TLS; write ipp_tls = true")
    if status in NOT_ADMITTED:
        return IppEnded(SilenceReason.NOT_ADMITTED, f"{text}: it wants a login, which is not supported")
    return IppEnded(SilenceReason.WRONG_RESPONDER, f"{text}, which is no answer of IPP")


def _explained(error: Exception, place: str, tls: IppTls | None) -> IppEnded:
    """What befell the connection, in words that say what to do."""
    if isinstance(error, httpx2.TimeoutException):
        return IppEnded(SilenceReason.TIMEOUT, f"no answer from {place} in time")
    causes = list(_causes(error))
    in_tls = next((one for one in causes if isinstance(one, ssl.SSLError)), None)
    if in_tls is not None:
        return _tls_ended(in_tls, place)
    if any(isinstance(one, ConnectionRefusedError) for one in causes):
        return IppEnded(SilenceReason.REFUSED, f"nothing listens at {place}")
    of_system = next((one for one in causes if isinstance(one, OSError)), None)
    if of_system is not None and isinstance(error, httpx2.ConnectError):
        return IppEnded(SilenceReason.UNREACHABLE, f"{place} can't be reached: {of_system.strerror or of_system}")
    text = f"{place} ended the connection: {str(error) or type(error).__name__}"
    if tls is None:
        text += "; if it wants TLS, write ipp_tls = true"
    return IppEnded(SilenceReason.MALFORMED, text)


def _causes(error: BaseException) -> list[BaseException]:
    """The error and what led to it, the outermost first; each once."""
    found: list[BaseException] = []
    one: BaseException | None = error
    while one is not None and one not in found:
        found.append(one)
        one = one.__cause__ or one.__context__
    return found


def _tls_ended(error: ssl.SSLError, place: str) -> IppEnded:
    """``reason`` is OpenSSL's own name for what went wrong."""
    if isinstance(error, ssl.SSLCertVerificationError):
        text = f"the certificate of {place} is not accepted: {error.verify_message}"
        todo = "ipp_ca_file must hold its authority, and the certificate name the host; or pin it by ipp_fingerprint"
        return IppEnded(SilenceReason.NOT_ADMITTED, f"{text}; {todo}")
    if error.reason in {"WRONG_VERSION_NUMBER", "HTTP_REQUEST", "RECORD_LAYER_FAILURE"}:
        text = f"{place} does not speak TLS; leave ipp_tls out, or name the port of ipps"
        return IppEnded(SilenceReason.MALFORMED, text)
    if error.reason in {"UNSUPPORTED_PROTOCOL", "TLSV1_ALERT_PROTOCOL_VERSION", "NO_PROTOCOLS_AVAILABLE"}:
        text = f"{place} speaks no TLS of version 1.2 or later; update its firmware, or leave ipp_tls out"
        return IppEnded(SilenceReason.NOT_ADMITTED, text)
    return IppEnded(SilenceReason.MALFORMED, f"TLS with {place} failed: {error.reason or error}")
