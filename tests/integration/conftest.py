"""What several integration tests need; and the loops that they run on."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
import uvloop

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.ports.store import Store
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.journal import PostgresJournal
from pagereeve.store.sqlite.journal import SqlJournal
from tests.integration import postgres_server

# uvloop is what the daemon runs on where it can be had, asyncio's own loop elsewhere.
LOOPS: Mapping[str, Callable[[], asyncio.AbstractEventLoop]] = {
    "asyncio": asyncio.new_event_loop,
    "uvloop": uvloop.new_event_loop,
}
# Modules for which one loop (the first) is enough, each with why; every other one runs on all of them.
ON_ONE_LOOP = {
    "test_alert_names.py": "what is sent; test_receivers_alertmanager.py has how",
    "test_alerts_cli.py": "a process of its own, with the loop that its command chooses",
    "test_api_clients.py": "what is asked; test_questions.py has how",
    "test_backup.py": "the database",
    "test_backup_commands.py": "the commands choose their loop",
    "test_cli.py": "processes of their own",
    "test_closing_page.py": "what is asked; test_closing_process.py has how",
    "test_containers.py": "processes of their own",
    "test_day_sums.py": "the database",
    "test_journal_contract.py": "the database: it has threads of its own",
    "test_journal_kill.py": "processes of their own",
    "test_journal_opening.py": "the database",
    "test_journal_sqlite.py": "the database",
    "test_unit_offers.py": "the database, and processes of their own",
    "test_ledger_contract.py": "the database",
    "test_litestream.py": "processes of their own",
    "test_deciding.py": "what is answered; the events' endpoint and the intake run on each loop",
    "test_question_costs.py": "the database",
    "test_meters_habits.py": "what is asked for; test_hostile_agents.py runs every habit on each loop",
    "test_oidc_sign_in.py": "what is answered; test_questions.py has the process that answers",
    "test_old_journals.py": "the database",
    "test_postgres_commands.py": "the commands choose their loop",
    "test_postgres_connecting.py": "the commands choose their loop",
    "test_postgres_schema.py": "the database",
    "test_postgres_appending.py": "the database",
    "test_outbox_contract.py": "the database",
    "test_prometheus.py": "judged by processes of their own",
    "test_proof.py": "`pagereeve prove` runs on asyncio's own loop everywhere",
    "test_proof_cli.py": "processes of their own",
    "test_proof_jobs.py": "as test_proof.py",
    "test_proof_network.py": "as test_proof.py",
    "test_proof_second_reader.py": "as test_proof.py",
    "test_restore.py": "the database",
    "test_rows_contract.py": "the database",
    "test_proof_terminal.py": "processes of their own",
    "test_receivers_come.py": "what is sent; test_receivers_mail.py has how, and test_reload.py how settings change",
    "test_relay_process.py": "processes of their own",
    "test_rules.py": "processes of their own",
    "test_upgrade.py": "the database",
    "test_readme.py": "processes of their own",
    "test_reads_contract.py": "the database",
    "test_releases.py": "the database",
    "test_signing_in.py": "what is answered; test_questions.py has the process that answers",
    "test_statement_command.py": "the commands choose their loop",
    "test_replay.py": "the database, and processes of their own",
    "test_service_manager.py": "processes of their own",
    "test_statement_costs.py": "the database",
    "test_bench_short.py": "the database",
    "test_drills.py": "they choose their loop",
    "test_meters_witnesses.py": "what answers mean; how they come is tested on each loop elsewhere",
    "test_daemon_print_server.py": "what answers mean",
    "test_daemon_witnesses.py": "what answers mean",
    "test_page_decisions.py": "what decisions change; test_decisions.py has how they reach the daemon",
    "test_closing.py": "what is frozen; test_local_door.py has how commands reach the daemon",
    "test_meters_moduli.py": "what answers mean",
    "test_daemon_ipp_meter.py": "what answers mean; test_meters_ipp.py has how they come",
    "test_meters_ipp_counters.py": "what answers mean; test_meters_ipp.py has how they come",
}


def pytest_asyncio_loop_factories(
    config: pytest.Config, item: pytest.Item
) -> Mapping[str, Callable[[], asyncio.AbstractEventLoop]]:
    """The loops of a test, by the ids that its name then shows; a single one is not shown."""
    if item.path.name not in ON_ONE_LOOP:
        return LOOPS
    return dict(list(LOOPS.items())[:1])


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
