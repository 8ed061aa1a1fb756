"""Daemons that share a database are replaced, one by one, by those of the next version, while events come all the time.

The old ones are this program; the next version is a copy of it with one revision more (tests/integration/next_release).
"""

from __future__ import annotations

import asyncio
import shutil
import signal
import sys
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from typing import Final, Self

import pytest

from tests.acceptance.process import CODE, Daemon, a_free_port
from tests.acceptance.test_workers import (  # noqa: F401 - fixtures
    PAGES,
    PRINTERS,
    UNREAD_S,
    Site,
    longest_unread_s,
    place,
    server,
)
from tests.integration.next_release import NEXT, environment_of, next_release

EVERY_S: Final = 4.0
"""A release at each printer, at one of the doors that are open."""
RELEASES_MAX: Final = 500
SCHEMA: Final = "SELECT version_num, number FROM alembic_version, schema_least"

pytestmark = pytest.mark.timeout(500)


class Traffic:
    """Releases come until it is left. ``doors`` are those to which notices may be sent."""

    def __init__(self, site: Site) -> None:
        self.site, self.doors, self.sent = site, list[Daemon](), list[tuple[str, str]]()
        self._ends = asyncio.Event()
        self._tasks: list[asyncio.Task[None]] = []

    async def __aenter__(self) -> Self:
        self._tasks = [asyncio.create_task(self._at(name)) for name in PRINTERS]
        return self

    async def __aexit__(self, *_: object) -> None:
        self._ends.set()
        await asyncio.gather(*self._tasks)

    async def _at(self, printer: str) -> None:
        for number in range(RELEASES_MAX):
            if self._ends.is_set():
                return
            release = f"r-{printer}-{number}"
            first, second = self.doors[number % len(self.doors)], self.doors[(number + 1) % len(self.doors)]
            await self.site.release(release, printer, first, second)
            self.sent.append((release, printer))
            with suppress(TimeoutError):
                async with asyncio.timeout(EVERY_S):
                    await self._ends.wait()

    async def replace(self, door: Daemon, environment: Mapping[str, str]) -> None:
        """By another version, in its folder and at its address; whoever sends to it finds the other doors meanwhile."""
        self.doors.remove(door)
        await asyncio.sleep(1.0)
        assert await door.end(signal.SIGTERM) == 0
        door.environment = environment
        await door.start()
        self.doors.append(door)


async def begun(site: Site, name: str, environment: Mapping[str, str] | None = None) -> Daemon:
    """A daemon with a folder of its own; ``environment``: that of another version."""
    port = a_free_port()
    one = Daemon(site.config(name, port, shared=True), port, environment)
    site.daemons.append(one)
    await one.start()
    if not (site.folder / "badge.key").exists():
        shutil.copy(site.folder / name / "data" / "badge.key", site.folder / "badge.key")
    return one


async def asked(daemon: Daemon, *words: str) -> tuple[int, str]:
    """A command of the daemon's own version: its exit status, and what it said."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", CODE, *words, "--config", str(daemon.config)),
        env=daemon.environment,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )
    async with asyncio.timeout(60):
        said, _ = await process.communicate()
    assert process.returncode is not None
    return process.returncode, said.decode()


def columns(site: Site) -> set[str]:
    of_it = "attrelid = 'group_note'::regclass AND attnum > 0 AND NOT attisdropped"
    return set(site.rows(f"SELECT attname FROM pg_attribute WHERE {of_it}"))


async def test_daemons_are_replaced_one_by_one_while_events_come(
    place: Site,  # noqa: F811 - the fixture
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    newer = environment_of(next_release(tmp_path_factory.mktemp("next")))
    first, second = await begun(place, "first"), await begun(place, "second")
    await place.until_read()
    traffic = Traffic(place)
    traffic.doors = [first, second]
    async with traffic:
        await asyncio.sleep(EVERY_S)
        assert place.rows(SCHEMA) == ["p0001|1"]
        await traffic.replace(first, newer)
        # The older one works on beside the newer one, whose first half is done.
        assert place.rows(SCHEMA) == [f"{NEXT}|1"]
        assert columns(place) == {"writer", "number", "at", "noted"}
        await asyncio.sleep(2 * EVERY_S)
        await traffic.replace(second, newer)
        # None of the older ones is left: the second half is done by itself.
        assert place.rows(SCHEMA) == [f"{NEXT}|2"]
        assert columns(place) == {"writer", "number", "noted"}
        await asyncio.sleep(2 * EVERY_S)
    await place.until_charged(*(release for release, _ in traffic.sent))
    older = replace(second, environment=None)
    for refused in ("run", "verify", "totals"):
        status, said = await asked(older, refused)
        assert (status, f"was brought to schema {NEXT}" in said) == (2, True), said
    for one in (first, second):
        assert await one.end(signal.SIGTERM) == 0
    assert sorted(place.ledger()) == sorted(f"{release}|{printer}|{PAGES}" for release, printer in traffic.sent)
    assert len(traffic.sent) > 5 * len(PRINTERS)
    unread = {name: longest_unread_s(one) for name, one in place.printers.items()}
    assert max(unread.values()) < UNREAD_S, unread
    for command in (["verify"], ["replay", "--check"]):
        status, said = await asked(first, *command)
        assert status == 0, said


async def test_an_older_daemon_that_was_cut_off_ends_by_name_and_harms_nothing(
    place: Site,  # noqa: F811 - the fixture
    tmp_path_factory: pytest.TempPathFactory,
    capfd: pytest.CaptureFixture[str],
) -> None:
    """It stands still, as on a machine that sleeps; its sessions end; meanwhile all others go over to the next one."""
    newer = environment_of(next_release(tmp_path_factory.mktemp("next")))
    older = await begun(place, "older")
    await place.until_read()
    await place.release("before", PRINTERS[0], older, older)
    await place.until_charged("before")
    assert older.process is not None
    older.process.send_signal(signal.SIGSTOP)
    # While its sessions live, the newer one leaves what it needs.
    next_one = await begun(place, "next", newer)
    assert place.rows(SCHEMA) == [f"{NEXT}|1"]
    assert await next_one.end(signal.SIGTERM) == 0
    place.rows(
        "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database() "
        "AND pid <> pg_backend_pid()"
    )
    await next_one.start()
    assert place.rows(SCHEMA) == [f"{NEXT}|2"]
    facts = place.rows("SELECT printer, seq, body FROM fact ORDER BY printer, seq")
    older.process.send_signal(signal.SIGCONT)
    async with asyncio.timeout(60):
        assert await older.process.wait() == 2
    assert f"was brought to schema {NEXT} or later by a newer version" in capfd.readouterr().err
    await place.until_shared_by(1)
    await place.release("after", PRINTERS[0], next_one, next_one)
    await place.until_charged("after")
    assert set(facts) < set(place.rows("SELECT printer, seq, body FROM fact ORDER BY printer, seq"))
    assert await next_one.end(signal.SIGTERM) == 0
    for command in (["verify"], ["replay", "--check"]):
        status, said = await asked(next_one, *command)
        assert status == 0, said
