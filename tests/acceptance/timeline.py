"""A day as a test writes it: college and daemon on real sockets, what happens, and what must be seen by when."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.replay import history, replay_store
from pagereeve.demo.relay_process import relay_process
from pagereeve.demo.run import connect
from pagereeve.demo.settings import demo_settings
from pagereeve.domain.brackets.conservation import conserved
from pagereeve.domain.ledger import Charge, Finding
from pagereeve.simulator.college.college import College
from pagereeve.simulator.site.release_server import HeldJob

Value = TypeVar("Value")
DEADLINE_S = 25.0


@dataclass
class Day:
    """One college with one daemon beside it, which may be stopped and begun again on the same data."""

    college: College
    app: App
    folder: Path
    jobs: int = 0

    def job(self, owner: str, printer: str, pages: int, **more: Any) -> HeldJob:
        self.jobs += 1
        job = HeldJob(f"job-{self.jobs}", owner, printer, pages, size_bytes=4_000 * pages, **more)
        self.college.hold(job)
        return job

    def badge(self, owner: str, gateway: str) -> None:
        self.college.badge(owner, gateway)

    async def charge(self, job: HeldJob) -> Charge:
        """The charge of the job's release once its bracket is closed."""

        async def look() -> Charge | None:
            charges = await self.app.store.charges_of(f"{job.name}.1")
            return next((charge for charge in charges if charge.closed_us is not None), None)

        return await self.within(look, f"the closed charge of {job.name}")

    async def finding(self, kind: str, printer: str) -> Finding:
        async def look() -> Finding | None:
            findings = await self.app.store.findings(only_open=False)
            return next((one for one in findings if (one.kind, one.printer) == (kind, printer)), None)

        return await self.within(look, f"{kind} at {printer}")

    async def within(self, look: Callable[[], Awaitable[Value | None]], what: str, every_s: float = 0.1) -> Value:
        for _ in range(int(DEADLINE_S / every_s)):
            value = await look()
            if value is not None:
                return value
            await asyncio.sleep(every_s)
        raise AssertionError(f"waited {DEADLINE_S} s in vain for {what}")

    async def restart(self) -> None:
        """Stop the daemon as SIGTERM would, and begin it again on the same data and port; the relay goes on."""
        settings = self.app.settings
        host, port = self.app.http_address
        http = settings.http.model_copy(update={"listen": type(settings.http.listen)(host, port)})
        await self.app.stop()
        self.app = App(settings.model_copy(update={"http": http}), first_reads_spread_s=0.0)
        await self.app.__aenter__()

    async def holds(self) -> None:
        """The rows are what a replay of the facts gives, and every page is accounted for."""
        report = await replay_store(self.app.store, store=False)
        assert report.differing == []
        for printer in await self.app.store.printers():
            whole = await history(self.app.store, printer)
            postings = [one for segment in await self.app.store.segments(printer) for one in segment.postings]
            assert all(line.ok for line in conserved(printer, whole.runs.runs, whole.windows, postings))


@asynccontextmanager
async def a_day(folder: Path, seed: int = 7) -> AsyncIterator[Day]:
    college = College(seed, SystemClock())
    await college.start()
    try:
        settings = demo_settings(college, folder)
        async with relay_process(settings):
            app = App(settings, first_reads_spread_s=0.0)
            await app.__aenter__()
            day = Day(college, app, folder)
            try:
                await connect(college, app)
                await day.within(lambda: _all_read(app), "a first reading of every printer")
                yield day
            finally:
                await day.app.stop()
    finally:
        await college.stop()


async def _all_read(app: App) -> bool | None:
    return all(watcher.last_good is not None for watcher in app.registry.watchers.values()) or None
