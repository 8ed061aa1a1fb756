"""Our own look at one connection's bytes: cuts lines, numbers and dates them, and lays them into the spool."""

from __future__ import annotations

import asyncio

from pagereeve.domain.values.splitting import Line, LineSplitter, Spoilt
from pagereeve.relay.spool import Held, Spool, Spools


class LineCopy:
    """Never waits. Each line has the instant at which its last byte came, and none of a connection the same one."""

    def __init__(
        self,
        splitter: LineSplitter,
        spool: Spool,
        spools: Spools,
        *,
        peer: str,
        connection: int,
        idle_flush_s: float,
    ) -> None:
        self._splitter = splitter
        self._spool = spool
        self._spools = spools
        self._peer = peer
        self._connection = connection
        self._idle_flush_s = idle_flush_s
        self._came_us = 0
        self._last_us = 0
        self._line = 0
        self._pause: asyncio.TimerHandle | None = None

    def look(self, chunk: bytes, at_us: int) -> None:
        self._came_us = at_us
        self._keep(self._splitter.feed(chunk))
        self.go_on()

    def hold(self) -> None:
        self._wait_no_longer()

    def go_on(self) -> None:
        """From now on a pause of the gateway ends a line that is begun."""
        self._wait_no_longer()
        if self._splitter.pending:
            self._pause = asyncio.get_running_loop().call_later(self._idle_flush_s, self._flush)

    def end(self) -> None:
        """The gateway sends no more: what is begun is a line. May be called again."""
        self._wait_no_longer()
        self._flush()

    def _flush(self) -> None:
        self._keep(self._splitter.flush())

    def _wait_no_longer(self) -> None:
        if self._pause is not None:
            self._pause.cancel()
            self._pause = None

    def _keep(self, lines: list[Line | Spoilt]) -> None:
        for line in lines:
            if isinstance(line, Spoilt):
                self._add(line.head, too_long=True)
            elif line.content:
                self._add(line.content, too_long=False)
            else:
                self._spool.counts.blank_lines += 1
        if lines:
            self._spools.changed.set()

    def _add(self, content: bytes, *, too_long: bool) -> None:
        self._line += 1
        self._last_us = max(self._came_us, self._last_us + 1)
        self._spool.add(Held(self._peer, self._connection, self._line, self._last_us, content, too_long))
