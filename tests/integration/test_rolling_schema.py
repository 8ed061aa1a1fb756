"""Programs of several versions at one database: who brings it on, who goes on, who is refused, who waits for whom."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import textwrap
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any, Final

import pytest
from alembic.script import ScriptDirectory

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.store.errors import NewerSchema, OlderAtWork
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.journal import PostgresJournal
from pagereeve.store.postgres.reads import PostgresReads
from pagereeve.store.postgres.revisions import REVISION
from pagereeve.store.postgres.upgrade import config
from tests.integration.next_release import (
    AFTER_NEXT,
    BELOW,
    NEXT,
    environment_of,
    next_release,
    release_after,
    release_before,
)
from tests.integration.postgres_server import Server, url_of
from tests.journal_samples import badge

CODE: Final = """
    import asyncio, os, sys
    import uvloop
    from pagereeve.app.clocks import SystemClock, SystemEntropy
    from pagereeve.store.errors import CantOpen
    from pagereeve.store.postgres.address import Address
    from pagereeve.store.postgres.journal import PostgresJournal
    from tests.journal_samples import badge

    async def main():
        address = Address.of(os.environ["URL"], os.environ["PASSWORD"])
        try:
            journal = await PostgresJournal.open(address, SystemClock(), SystemEntropy())
        except CantOpen as error:
            print(type(error).__name__, error, flush=True)
            return
        await journal.append(badge(sys.argv[1]))
        print("open", journal.unfinished, flush=True)
        while name := (await asyncio.to_thread(sys.stdin.readline)).strip():
            await journal.append(badge(name))
            print("stored", flush=True)
        await journal.close()

    uvloop.run(main())
"""
ROOT: Final = Path(__file__).parents[2]


class Program:
    """Of another version, with the journal open; ``said`` is what came of it."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self.process = process
        self.said = ""

    async def line(self) -> str:
        assert self.process.stdout is not None
        async with asyncio.timeout(90):
            return (await self.process.stdout.readline()).decode().strip()

    async def append(self, name: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(f"{name}\n".encode())
        assert await self.line() == "stored"


@asynccontextmanager
async def program(release: Path, address: Address, event: str) -> AsyncIterator[Program]:
    paths = os.pathsep.join((str(release), str(ROOT)))
    environment = environment_of(release) | {"URL": url_of(address), "PASSWORD": address.password or ""}
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", textwrap.dedent(CODE), event),
        env=environment | {"PYTHONPATH": paths},
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
    )
    try:
        yield Program(process)
    finally:
        assert process.stdin is not None
        process.stdin.close()
        with suppress(TimeoutError):
            async with asyncio.timeout(20):
                await process.wait()
        if process.returncode is None:
            process.send_signal(signal.SIGKILL)
            await process.wait()


async def opened(address: Address, **more: Any) -> PostgresJournal:
    return await PostgresJournal.open(address, SystemClock(), SystemEntropy(), **more)


@pytest.fixture(scope="module")
def following(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return next_release(tmp_path_factory.mktemp("next"))


def schema(postgres: Server, address: Address) -> str:
    return postgres.run("SELECT version_num, number FROM alembic_version, schema_least", address.database)


async def test_two_versions_share_a_database_and_the_older_one_is_told_when_it_can_no_more(
    postgres: Server, new_database: Address, following: Path
) -> None:
    older = await opened(new_database)
    await older.append(badge("older-1"))
    async with program(following, new_database, "newer-1") as newer:
        # It names whose sessions hold the second half back.
        assert await newer.line() == f"open schema {REVISION} at 127.0.0.1 (1)"
        await older.append(badge("older-2"))
        another = await opened(new_database)
        await another.append(badge("another"))
        await newer.append("newer-2")
        assert schema(postgres, new_database) == f"{NEXT}|1"
        async with await PostgresReads.open_for_reading(new_database) as reads:
            assert await reads.count_facts() == 5
        await older.close()
        await another.close()
    async with program(following, new_database, "newer-3") as newer:
        assert await newer.line() == "open"
        assert schema(postgres, new_database) == f"{NEXT}|2"
        for opening in (opened, PostgresReads.open_for_reading):
            with pytest.raises(NewerSchema, match=f"brought to schema {NEXT} or later by a newer version"):
                await opening(new_database)
        assert count_of(postgres, new_database) == 6


def count_of(postgres: Server, address: Address) -> int:
    return int(postgres.run("SELECT count(*) FROM fact", address.database))


async def test_three_versions_at_once_are_refused(
    postgres: Server, new_database: Address, following: Path, tmp_path: Path
) -> None:
    after = release_after(following, tmp_path)
    older = await opened(new_database)
    async with program(following, new_database, "newer-1") as newer:
        assert (await newer.line()).startswith("open ")
        async with program(after, new_database, "newest-1") as newest:
            refused = await newest.line()
        assert refused.startswith(OlderAtWork.__name__)
        assert f"schema {REVISION} at 127.0.0.1 (1)" in refused
        assert schema(postgres, new_database) == f"{NEXT}|1"
        await older.append(badge("older-1"))
        await older.close()
        async with program(after, new_database, "newest-1") as newest:
            assert await newest.line() == f"open schema {NEXT} at 127.0.0.1 (1)"
            await newer.append("newer-2")
            assert schema(postgres, new_database) == f"{AFTER_NEXT}|2"
    async with program(after, new_database, "newest-2") as newest:
        assert await newest.line() == "open"
        assert schema(postgres, new_database) == f"{AFTER_NEXT}|3"


async def test_who_adds_to_a_table_holds_up_nobody_while_another_reads_it(
    postgres: Server, new_database: Address, following: Path
) -> None:
    """A long question keeps a table; what waits for it keeps all others waiting (postgresql.org/docs/15/
    explicit-locking.html), so it waits shortly, and again.
    """
    older = await opened(new_database)
    reader = asyncio.to_thread(
        postgres.run, "BEGIN; SELECT count(*) FROM group_note; SELECT pg_sleep(9); COMMIT", new_database.database
    )
    reading = asyncio.create_task(reader)
    await asyncio.sleep(0.5)
    async with program(following, new_database, "newer-1") as newer:
        longest_s, stored = 0.0, 0
        waiting = asyncio.create_task(newer.line())
        while not waiting.done():
            begun_s = time.monotonic()
            await older.append(badge(f"older-{stored}"))
            longest_s, stored = max(longest_s, time.monotonic() - begun_s), stored + 1
            await asyncio.sleep(0.05)
        assert reading.done()
        assert (await waiting).startswith("open ")
        assert stored > 20
        assert longest_s < 8, "a try lasts 2 s"
    await reading
    await older.close()


async def test_the_first_half_of_each_revision_does_for_the_program_below(
    postgres: Server, new_database: Address, tmp_path: Path
) -> None:
    revisions = {one.revision for one in ScriptDirectory.from_config(config()).walk_revisions()}
    assert set(BELOW) == revisions - {"p0001"}, "tell how the program below a new revision differs"
    if not BELOW:
        return
    below = release_before(tmp_path, max(BELOW))
    async with program(below, new_database, "below-1") as older:
        assert await older.line() == "open"
        newer = await opened(new_database)
        await newer.append(badge("newer-1"))
        await older.append("below-2")
        assert count_of(postgres, new_database) == 3
        await newer.close()


def test_each_revision_has_a_first_half_and_says_what_it_needs() -> None:
    scripts = list(ScriptDirectory.from_config(config()).walk_revisions())[::-1]
    assert [one.revision for one in scripts] == [f"p{number:04d}" for number in range(1, len(scripts) + 1)]
    assert scripts[-1].revision == REVISION
    for one in scripts:
        assert callable(one.module.upgrade)
        assert one.module.__doc__
