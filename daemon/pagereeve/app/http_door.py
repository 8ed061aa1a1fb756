"""The HTTP endpoint at work: opened, served in a task of its own, changed by a reload, stopped."""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import Callable, Iterator

import structlog

from pagereeve.feeds.http.answers import (
    CALLER,
    CLIENT_NAMES,
    CLOSE,
    AsgiApp,
    Receive,
    Scope,
    Send,
    refusal_answer,
    send_answer,
)
from pagereeve.feeds.http.client_certificates import ClientCertificates
from pagereeve.feeds.http.hosts import Hosts
from pagereeve.feeds.http.server import HttpServer, make_server
from pagereeve.feeds.http.settings import HttpSettings
from pagereeve.feeds.http.tls import ServerCertificate, TlsFiles, server_certificate
from pagereeve.feeds.local import paths
from pagereeve.feeds.refusals import Refusal
from pagereeve.feeds.stats import FeedStats
from pagereeve.settings import Settings

log = structlog.get_logger("pagereeve.http")


class HttpDoor:
    """``connections_max`` is what descriptors allow of the settings' own. ``change`` is called before it starts.

    A certificate's dates are only logged: it may be our own clock that is wrong, and badge lines go on all the same.
    """

    def __init__(
        self,
        settings: Settings,
        web: AsgiApp,
        stats: FeedStats,
        on_error: Callable[[Exception], None],
        *,
        connections_max: int,
        wall_us: Callable[[], int],
        has_credentials: Callable[[], bool],
    ) -> None:
        """``has_credentials``: are there any beside certificates? Who shows no certificate is then asked for one."""
        self._stats = stats
        self._wall_us = wall_us
        self._has_credentials = has_credentials
        self._asks_for_certificates = False
        self._listen = settings.http.listen
        self._web = web
        self._clients = ClientCertificates()
        self._server: HttpServer = make_server(
            self._identified, stats, settings.http, on_error, connections_max=connections_max
        )
        self._task: asyncio.Task[None] | None = None

    @property
    def address(self) -> tuple[str, int]:
        """Where it really listens (useful with port 0). Raises NotStarted."""
        return self._server.address

    async def start(self) -> None:
        """Raises OSError where the address can't be had."""
        await self._server.open(self._listen.host, self._listen.port)
        self._task = asyncio.create_task(self._server.serve(), name="http")

    def change(self, settings: HttpSettings, certificate: ServerCertificate | None) -> None:
        """In force from the next connection or request on."""
        self._server.hosts = Hosts(_names_of(settings, certificate))
        self._clients.change(settings.clients)
        self._server.secure(certificate)
        self._asks_for_certificates = settings.client_ca_file is not None
        if certificate is not None and (trouble := certificate.date_problem(self._wall_us())):
            log.error("senders that check our certificate refuse it", why=trouble)

    async def _identified(self, scope: Scope, receive: Receive, send: Send) -> None:
        caller = self._clients.caller_of(scope.get(CLIENT_NAMES, ()))
        if caller is not None:
            scope[CALLER] = caller
        elif self._asks_for_certificates and scope["path"] not in paths.HEALTH and not self._has_credentials():
            await self._refuse(send)
            return
        await self._web(scope, receive, send)

    async def _refuse(self, send: Send) -> None:
        """Nobody else would ask: without a credential of another kind, who shows none is everybody."""
        self._stats.refused["unauthorized"] += 1
        problem = "none was shown that [[http.clients]] names; connect with one"
        await send_answer(refusal_answer(Refusal("unauthorized", "certificate", problem), 1, CLOSE), send)

    async def stop(self) -> None:
        self._server.should_exit = True
        if self._task is not None:
            await self._task


def certificate_of(settings: HttpSettings) -> ServerCertificate | None:
    """Read now; None where the settings name none. Raises BadCertificate."""
    if settings.certificate_file is None or settings.key_file is None:
        return None
    return server_certificate(TlsFiles(settings.certificate_file, settings.key_file, settings.client_ca_file))


def _names_of(settings: HttpSettings, certificate: ServerCertificate | None) -> Iterator[str]:
    yield from settings.names
    if certificate is not None:
        yield from certificate.names
    host = settings.listen.host
    try:
        if ipaddress.ip_address(host).is_unspecified:
            return  # all our addresses: each is its own name, and this is none
    except ValueError:
        pass  # a name
    yield host
