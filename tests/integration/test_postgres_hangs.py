"""A database server that neither stores nor refuses: it hangs, or the network between swallows all that is sent."""

from __future__ import annotations

import asyncio
import itertools
import os
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx2

from pagereeve.app.daemon import App
from pagereeve.store.postgres.writer import HANGS_S, SILENT_S
from tests.integration import postgres_server
from tests.integration.away import PRINTER, Site, back, lines, site
from tests.integration.daemon import Outside, until
from tests.integration.postgres_server import Server
from tests.integration.test_postgres_away import AT_ONCE_S, require_told
from tests.integration.test_spooled_lines import PRESENTED, until_replayed, until_taken

STARTED = "pagereeve.release.started.v1"
LOOKS_S = 5.0
"""So often somebody looks whether the server answers."""


async def require_bounded(app: App, outside: Outside, place: Site) -> None:
    """Nothing is asked of the server but by who looks at it; then doors refuse at once, and lines are spooled."""
    began_s = time.monotonic()
    trouble = await until(lambda: known_to_be_away(app), "the hanging server to be noticed")
    assert trouble.startswith("the database of the journal is away since 2")
    assert time.monotonic() - began_s < 4 * (HANGS_S + LOOKS_S)
    await lines(app, "6001", "6002")
    await until(lambda: told_why(outside), "a sender to hear that the database is away")
    began_s = time.monotonic()
    require_told(await outside.started("B", PRINTER, 5))
    require_told(await outside.client.get(f"{outside.url}/v1/totals"), cause=False)
    assert time.monotonic() - began_s < 4 * AT_ONCE_S
    await until_taken(app, 2)
    await asyncio.sleep(2.0)
    require_told(await outside.started("B", PRINTER, 5))
    assert not app.supervisor.failing


async def known_to_be_away(app: App) -> str | None:
    return app.store.trouble() if app.store.health().hindrance == "away" else None


async def told_why(outside: Outside) -> bool | None:
    """At first the server is merely silent: that is refused, too, at once."""
    began_s = time.monotonic()
    answer = await outside.started("B", PRINTER, 5)
    assert time.monotonic() - began_s < 4 * AT_ONCE_S
    assert (answer.status_code, "retry-after" in answer.headers) == (503, True), answer.text
    return answer.json().get("cause") == "away" or None


async def require_all_there(app: App, outside: Outside, place: Site) -> None:
    await until_replayed(app)
    await back(app)

    async def sent() -> bool | None:
        return (await outside.started("B", PRINTER, 5)).status_code == 200 or None

    await until(sent, "the notice to be acknowledged")
    assert place.stored(STARTED) == ["A.started", "B.started"]
    assert len(place.stored(PRESENTED)) == 2


@contextmanager
def behind_a_network(folder: Path) -> Iterator[tuple[Server, str]]:
    """A server in a network namespace of its own, and that namespace's name."""
    name, nth = f"pr-db-{os.getpid()}", next(_numbers)
    ours, theirs = f"prdb{os.getpid() % 10_000}{nth}", f"prdp{os.getpid() % 10_000}{nth}"
    net = f"10.219.{os.getpid() % 250}"
    run("ip", "netns", "add", name)
    try:
        run("ip", "link", "add", ours, "type", "veth", "peer", "name", theirs, "netns", name)
        run("ip", "addr", "add", f"{net}.1/24", "dev", ours)
        run("ip", "link", "set", ours, "up")
        for words in (("addr", "add", f"{net}.2/24", "dev", theirs), ("link", "set", theirs, "up")):
            run("ip", "-n", name, *words)
        with postgres_server.elsewhere(f"{net}.2", f"{net}.1/32", ("ip", "netns", "exec", name)) as server:
            yield server, name
    finally:
        run("ip", "netns", "del", name)


_numbers = itertools.count()


def run(*argv: str, given: str | None = None) -> None:
    done = subprocess.run(argv, input=given, capture_output=True, text=True, check=False, timeout=20)
    assert done.returncode == 0, (argv, done.stderr)


SWALLOW = "table inet hole { chain in { type filter hook input priority 0; policy drop; }; }"


async def test_a_network_that_swallows_everything_is_noticed_within_the_bound(tmp_path: Path) -> None:
    with behind_a_network(tmp_path) as (server, name):
        async with site(server, tmp_path) as place, place.running() as (app, outside):
            assert (await outside.started("A", PRINTER, 5)).status_code == 200
            run("ip", "netns", "exec", name, "nft", "-f", "-", given=SWALLOW)
            try:
                await require_bounded(app, outside, place)
            finally:
                run("ip", "netns", "exec", name, "nft", "delete", "table", "inet", "hole")
            await require_all_there(app, outside, place)


async def test_a_server_that_is_stopped_is_away_within_the_bound(server: Server, place: Site) -> None:
    async with place.running() as (app, outside):
        assert (await outside.started("A", PRINTER, 5)).status_code == 200
        server.signal_all(signal.SIGSTOP)
        try:
            await require_bounded(app, outside, place)
        finally:
            server.signal_all(signal.SIGCONT)
        await require_all_there(app, outside, place)


async def test_while_a_server_hangs_senders_hear_that_and_never_that_they_ask_too_much(
    server: Server, place: Site
) -> None:
    answers: list[tuple[float, str, str]] = []
    async with place.running() as (app, outside):
        assert (await outside.started("A", PRINTER, 5)).status_code == 200
        server.signal_all(signal.SIGSTOP)
        began_s = time.monotonic()

        async def send(nth: int) -> None:
            try:
                answer = await outside.started(f"C-{nth}", PRINTER, 5)
            except httpx2.TimeoutException:
                return  # one of those whose group the server has in its hands
            problem = answer.json()
            kind = problem["type"].rpartition(":")[2] if answer.status_code == 503 else "stored"
            answers.append((time.monotonic() - began_s, kind, problem.get("cause", "")))

        senders: list[asyncio.Task[None]] = []
        try:
            while await known_to_be_away(app) is None:
                senders.append(asyncio.create_task(send(len(senders))))
                await asyncio.sleep(0.25)
                assert time.monotonic() - began_s < 4 * (HANGS_S + LOOKS_S)
            await asyncio.gather(*senders)
        finally:
            server.signal_all(signal.SIGCONT)
    answers.sort()
    assert {kind for _, kind, _ in answers} == {"journal-unavailable"}
    first_s, _, cause = answers[0]
    assert cause == "silent"
    assert first_s < 4 * SILENT_S
    assert {cause for *_, cause in answers} == {"silent", "away"}
