"""What several integration tests need; and the loops that they run on."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import uvloop

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.ports.store import Store
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.journal import PostgresJournal
from pagereeve.store.sqlite.journal import SqlJournal
from tests.integration import postgres_server

if TYPE_CHECKING:
    from tests.integration.away import Site
    from tests.integration.moves import Move

# uvloop is what the daemon runs on where it can be had; elsewhere, and where a command asks, asyncio's own loop.
LOOPS: Mapping[str, Callable[[], asyncio.AbstractEventLoop]] = {
    "uvloop": uvloop.new_event_loop,
    "asyncio": asyncio.new_event_loop,
}
# Modules whose tests run on each loop, with what of a loop's own they meet; every other one runs on uvloop.
ON_EACH_LOOP = {
    "test_closing_process.py": "a child process, told over its pipes",
    "test_descriptors.py": "what a loop does when accept fails",
    "test_feeds_http_limits.py": "connections that stall, and how they are ended",
    "test_feeds_http_server.py": "the HTTP server on a loop's own transports",
    "test_feeds_line_feed.py": "TCP streams: pauses, halves, resets",
    "test_feeds_relayed.py": "local sockets between two processes",
    "test_hostile_agents.py": "datagrams with every bad habit, by the command and by the daemon",
    "test_http_door.py": "TLS, and certificates of clients",
    "test_local_door.py": "local sockets, and who is at their other end",
    "test_meters_endpoint.py": "datagrams that come late, twice, from elsewhere or not at all",
    "test_meters_foreign.py": "datagrams of somebody else's agent, through NAT",
    "test_meters_ipp.py": "an HTTP client against odd servers",
    "test_meters_ipp_neighbours.py": "connections that hang",
    "test_meters_ipp_tls.py": "TLS of a client",
    "test_meters_jobs.py": "conversations by datagram, broken off",
    "test_meters_manners.py": "one datagram at a time, deadlines, moved ports",
    "test_meters_neighbours.py": "errors that the kernel reports of a shared socket",
    "test_meters_silence.py": "errors that the kernel reports: nobody listens, no route",
    "test_questions.py": "a child process, and what is passed on to it",
    "test_receivers_alertmanager.py": "an HTTP client against odd servers",
    "test_receivers_mail.py": "SMTP: TLS begun in the middle of a connection",
    "test_receivers_syslog.py": "datagrams, and TCP that is reset",
    "test_receivers_webhook.py": "an HTTP client against odd servers",
    "test_relay_fairness.py": "TCP at its highest rate, held back",
    "test_relay_forwarding.py": "TCP streams: halves, resets, held back",
    "test_relay_handing_over.py": "local sockets, held back",
    "test_reload_feeds.py": "signals, and doors that close and open",
}
# Modules of `pagereeve prove`, which runs on asyncio's own loop everywhere.
ON_ASYNCIO = {
    "test_proof.py",
    "test_proof_jobs.py",
    "test_proof_network.py",
    "test_proof_notes.py",
    "test_proof_second_reader.py",
}


def pytest_asyncio_loop_factories(
    config: pytest.Config, item: pytest.Item
) -> Mapping[str, Callable[[], asyncio.AbstractEventLoop]]:
    """The loops of a test, by the ids that its name then shows; a single one is not shown."""
    if item.path.name in ON_EACH_LOOP:
        return LOOPS
    name = "asyncio" if item.path.name in ON_ASYNCIO else "uvloop"
    return {name: LOOPS[name]}


@pytest.fixture(autouse=True)
def no_setting_of_the_tests_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """What begins with PAGEREEVE_ is a setting to the commands, which refuse those that they don't know."""
    monkeypatch.delenv(postgres_server.GIVEN_URL, raising=False)


@pytest.fixture(scope="session")
def postgres() -> Iterator[postgres_server.Server]:
    """The server of this test process, started where a test asks for it."""
    with postgres_server.running() as server:
        yield server


@pytest.fixture(scope="session")
def postgres_database(postgres: postgres_server.Server) -> Address:
    """A database with the journal's tables in it."""
    address = postgres.new_database()

    async def make() -> None:
        await (await PostgresJournal.open(address, SystemClock(), SystemEntropy())).close()

    # A test's own loop may run already.
    with ThreadPoolExecutor(1) as threads:
        threads.submit(lambda: asyncio.run(make())).result()
    return address


@pytest.fixture
def postgres_journal(postgres: postgres_server.Server, postgres_database: Address) -> Address:
    """The same one for each test, emptied: to make one would take longer than most tests."""
    postgres.empty(postgres_database)
    return postgres_database


@pytest.fixture
def new_database(postgres: postgres_server.Server) -> Iterator[Address]:
    address = postgres.new_database()
    yield address
    postgres.drop(address)


@pytest.fixture
def move(tmp_path: Path, new_database: Address, capsys: pytest.CaptureFixture[str]) -> Move:
    from tests.integration.moves import Move  # noqa: PLC0415 - it stands on modules of tests

    return Move.of(tmp_path, new_database, capsys)


@pytest.fixture(scope="module")
def server() -> Iterator[postgres_server.Server]:
    """Always one of our own: it is killed."""
    with postgres_server.running(None) as server:
        yield server


@pytest.fixture
async def place(server: postgres_server.Server, tmp_path: Path) -> AsyncIterator[Site]:
    from tests.integration.away import site  # noqa: PLC0415 - as above

    async with site(server, tmp_path) as place:
        yield place


@pytest.fixture(params=["memory", "sqlite", "postgres"])
async def store(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Store]:
    """Each implementation of the store in turn: a contract's test runs on all of them."""
    if request.param == "memory":
        yield MemoryJournal()
        return
    journal: SqlJournal | PostgresJournal
    if request.param == "sqlite":
        journal = await SqlJournal.open(tmp_path / "journal.db", SystemClock())
    else:
        address: Address = request.getfixturevalue("postgres_journal")
        journal = await PostgresJournal.open(address, SystemClock(), SystemEntropy())
    yield journal
    await journal.close()
