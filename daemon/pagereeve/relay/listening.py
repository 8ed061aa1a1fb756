"""Where the gateways of one of [[relays]] connect: so many at most, and so many from one address."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable
from itertools import count

from pagereeve.domain.values.splitting import LineSplitter
from pagereeve.ports.line_settings import RelaySettings
from pagereeve.relay.copying import LineCopy
from pagereeve.relay.counts import Counts
from pagereeve.relay.forwarding import Look, Passage, Patience, Report
from pagereeve.relay.spool import Spools
from pagereeve.relay.turns import Turns


class RelayListener:
    """One of [[relays]]. Connections that never sent a byte make room for new ones, the oldest first."""

    def __init__(
        self, settings: RelaySettings, spools: Spools, *, patience: Patience, now_us: Callable[[], int], report: Report
    ) -> None:
        self.settings = settings
        self.counts = Counts()
        self._spools = spools
        self._spool = spools.open(settings.name, settings.held_lines_max, self.counts)
        self._patience = patience
        self._now_us = now_us
        self._turns = Turns()
        self._report = report
        self._passages: dict[Passage, str] = {}
        self._peers: Counter[str] = Counter()
        self._connections = count(1)
        self._server: asyncio.Server | None = None
        self.empty = asyncio.Event()
        self.empty.set()

    @property
    def address(self) -> tuple[str, int] | None:
        """Where it really listens; None while it does not."""
        if self._server is None or not self._server.sockets:
            return None
        host, port = self._server.sockets[0].getsockname()[:2]
        return str(host), int(port)

    async def start(self) -> None:
        """Raises OSError where the address can't be had."""
        listen = self.settings.listen
        self._server = await asyncio.get_running_loop().create_server(
            lambda: self._passage().gateway, listen.host, listen.port
        )

    async def stop(self) -> None:
        """No new connections; those that are open are closed after what was read of them is sent on."""
        if self._server is not None:
            self._server.close()
        for passage in list(self._passages):
            passage.stop()

    def _passage(self) -> Passage:
        target = self.settings.forward_to
        return Passage(
            (target.host, target.port),
            self.counts,
            self._patience,
            welcome=self._welcome,
            over=self._over,
            now_us=self._now_us,
            turns=self._turns,
            report=self._told,
        )

    def _told(self, what: str, error: Exception | None) -> None:
        self._report(f"relay {self.settings.name}: {what}", error)

    def _welcome(self, passage: Passage, peer: str) -> Look | None:
        self.counts.connections += 1
        if not self._has_room(peer):
            self.counts.connections_refused += 1
            self._told("a connection was refused, there are too many", None)
            passage.refuse()
            return None
        self._passages[passage] = peer
        self._peers[peer] += 1
        self.counts.connections_open += 1
        self.empty.clear()
        return LineCopy(
            LineSplitter(self.settings.terminator_bytes, self.settings.line_max_bytes),
            self._spool,
            self._spools,
            peer=peer,
            connection=next(self._connections),
            idle_flush_s=self.settings.idle_flush.seconds,
        )

    def _has_room(self, peer: str) -> bool:
        own = self._peers[peer] < self.settings.connections_per_peer_max
        if own and len(self._passages) < self.settings.connections_max:
            return True
        silent = (one for one, of in self._passages.items() if not one.spoke and (own or of == peer))
        oldest = next(silent, None)
        if oldest is None:
            return False
        self.counts.connections_pushed_out += 1
        self._forget(oldest)
        oldest.refuse()
        return True

    def _over(self, passage: Passage) -> None:
        self._forget(passage)

    def _forget(self, passage: Passage) -> None:
        peer = self._passages.pop(passage, None)
        if peer is None:
            return
        self.counts.connections_open -= 1
        self._peers[peer] -= 1
        if not self._peers[peer]:
            del self._peers[peer]
        if not self._passages:
            self.empty.set()
