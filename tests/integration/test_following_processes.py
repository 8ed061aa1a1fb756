"""Two processes, one database: the one that watches a printer is killed while senders wait at the other."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import textwrap
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path

from pagereeve.domain.facts.facts import BadgePresented, ReleaseAnswered, ReleaseEnded, ReleaseStarted
from pagereeve.store.postgres.address import Address
from tests.integration.following_worlds import worker
from tests.integration.postgres_server import url_of
from tests.integration.test_following_engine import require_right, until
from tests.unit.engine.world import FakePrinter

ROUNDS = 6
CHILD = """
    import asyncio, os, sys
    import uvloop
    from pagereeve.store.postgres.address import Address
    from tests.integration.following_worlds import worker
    from tests.unit.engine.world import FakePrinter

    async def main():
        address = Address.of(os.environ["URL"], os.environ["PASSWORD"])
        printers = {name: FakePrinter() for name in ("near", "far", "farther")}
        gateways = {"far": "box", "farther": "box"}
        async with worker(address, printers, lambda name: name != "near", gateways, badges=False) as one:
            while not (one.world.sent_s("far") and one.world.sent_s("farther")):
                await asyncio.sleep(0.05)
            os.write(1, b"watches\\n")
            ended = asyncio.get_running_loop().run_in_executor(None, sys.stdin.readline)
            taken = 0
            while not ended.done():
                # The same events as the other process is handed, at the same pace.
                for kind, name in (line.split() for line in open(sys.argv[1]).read().splitlines()[taken:]):
                    taken += 1
                    if kind == "badge":
                        await one.world.badge("1234", "box", event=name)
                    elif kind == "start":
                        await one.world.start(name, 2, "far", event=f"start-{name}", wait_s=5.0)
                    else:
                        await one.world.end(name, event=f"end-{name}")
                await asyncio.sleep(0.02)

    uvloop.run(main())
"""


@asynccontextmanager
async def another(address: Address, orders: Path) -> AsyncIterator[asyncio.subprocess.Process]:
    environment = {**os.environ, "URL": url_of(address), "PASSWORD": address.password or ""}
    environment["PYTHONPATH"] = os.pathsep.join(sys.path)
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", textwrap.dedent(CHILD), str(orders)),
        env=environment,
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
    )
    assert process.stdout is not None
    try:
        async with asyncio.timeout(30):
            assert await process.stdout.readline() == b"watches\n"
        yield process
    finally:
        with suppress(ProcessLookupError):
            process.kill()
        await process.wait()


async def test_the_process_that_watches_is_killed_and_comes_again(postgres_journal: Address, tmp_path: Path) -> None:
    """Each event is handed to both while both live. Nothing that was acknowledged is lost, nothing counts twice."""
    printers = {name: FakePrinter() for name in ("near", "far", "farther")}
    gateways = {"far": "box", "farther": "box"}
    orders = tmp_path / "orders"
    orders.write_text("")

    def order(line: str) -> None:
        with orders.open("a") as file:
            file.write(f"{line}\n")

    async with worker(postgres_journal, printers, lambda name: name == "near", gateways) as one:

        async def work(name: str, wait_s: float) -> str:
            order(f"badge badge-{name}")
            await one.world.badge("1234", "box", event=f"badge-{name}")
            order(f"start {name}")
            taken = await one.world.start(name, 2, "far", event=f"start-{name}", wait_s=wait_s)
            order(f"end {name}")
            await one.world.end(name, event=f"end-{name}")
            return taken.reading

        async with another(postgres_journal, orders) as first:
            assert [await work(f"before-{number}", 8.0) for number in range(ROUNDS)] == ["in-hand"] * ROUNDS
            first.send_signal(signal.SIGKILL)
            await first.wait()
        # Nobody answers, as where the meter can't be read.
        assert [await work(f"between-{number}", 0.4) for number in range(2)] == ["not-waited"] * 2
        async with another(postgres_journal, orders) as second:
            assert [await work(f"after-{number}", 8.0) for number in range(ROUNDS)] == ["in-hand"] * ROUNDS

            async def judged() -> bool:
                charges = [
                    charge
                    for segment in await one.journal.segments("far")
                    for charge in segment.charges
                    if charge.channel == "total"
                ]
                return len(charges) == 2 * ROUNDS + 2 and all(charge.verdict is not None for charge in charges)

            await until(judged)
            assert second.stdin is not None
            second.stdin.write(b"end\n")
            async with asyncio.timeout(30):
                assert await second.wait() == 0
        facts = await one.world.facts("far")
        names = {f"{when}-{number}" for when in ("before", "after") for number in range(ROUNDS)}
        names |= {"between-0", "between-1"}
        for kind in (ReleaseStarted, ReleaseEnded):
            found = [fact.release for fact in facts if isinstance(fact, kind)]
            assert (set(found), len(found)) == (names, len(names))
        badges = [fact.origin.key for fact in facts if isinstance(fact, BadgePresented)]
        assert (len(badges), len(set(badges))) == (len(names), len(names))
        assert {fact.id for fact in facts if isinstance(fact, ReleaseAnswered)} == {f"start-{name}" for name in names}
    await require_right(postgres_journal)
