"""The relay put together: its listeners, what waits for the daemon, the local socket.

Whatever can't be had at the start (an address, the local socket) is tried again and again, while the rest works.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from pagereeve.domain.values.amounts import amount
from pagereeve.ports.line_settings import RelaySettings
from pagereeve.ports.relay_link import Greeting
from pagereeve.relay.forwarding import Patience, Report
from pagereeve.relay.handing_over import LocalSocket
from pagereeve.relay.listening import RelayListener
from pagereeve.relay.spool import Spools

LISTEN_AGAIN_S: Final = 2.0
STOP_S: Final = 3.0


class Relay:
    """``boot`` names this run, and no other one ever."""

    def __init__(
        self,
        relays: Sequence[RelaySettings],
        socket_path: Path,
        *,
        boot: str,
        now_us: Callable[[], int],
        report: Report,
        patience: Patience | None = None,
    ) -> None:
        self.spools = Spools()
        self.listeners = [
            RelayListener(one, self.spools, patience=patience or Patience(), now_us=now_us, report=report)
            for one in relays
        ]
        self._boot = boot
        self._report = report
        self._local = LocalSocket(socket_path, self.spools, greeting=self._greeting, report=report)
        self._tasks: list[asyncio.Task[None]] = []

    async def start(self) -> None:
        """Raises OSError where none of the addresses can be had."""
        errors = [error for one in self.listeners if (error := await self._listen(one)) is not None]
        if len(errors) == len(self.listeners):
            raise errors[0]
        self._tasks = [asyncio.create_task(self._listen_again()), asyncio.create_task(self._local.run())]

    async def stop(self) -> None:
        """No new connections; what was read is sent on, and the copies are handed over, within STOP_S."""
        for listener in self.listeners:
            await listener.stop()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(STOP_S):
                await asyncio.gather(*(one.empty.wait() for one in self.listeners))
                await self._local.handed_over()
        for name, held in self.spools.held().items():
            if held:
                self._report(
                    f"relay {name}: {amount(held, 'line was', 'lines were')} forwarded, and no daemon took the copies",
                    None,
                )
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self._local.stop()

    async def _listen(self, listener: RelayListener) -> OSError | None:
        try:
            await listener.start()
        except OSError as error:
            self._report(f"relay {listener.settings.name}: can't listen on {listener.settings.listen}", error)
            return error
        return None

    async def _listen_again(self) -> None:
        while any(one.address is None for one in self.listeners):
            await asyncio.sleep(LISTEN_AGAIN_S)
            for listener in self.listeners:
                if listener.address is None:
                    await self._listen(listener)

    def _greeting(self, taken: bool) -> Greeting:
        addresses = {one.settings.name: one.address for one in self.listeners}
        return Greeting(
            boot=self._boot,
            relays={name: address for name, address in addresses.items() if address is not None},
            held=self.spools.held(),
            taken=taken,
        )
