"""Opening the journal's file: one process at a time, the right tables, or a refusal that leaves it as it was."""

# ruff: noqa: ASYNC240 - a test has nothing else to do while it looks at a file

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import textwrap
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Table, create_engine, text

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.alerts.alert import Alert, SiteLayout, begun
from pagereeve.domain.alerts.codec import alert_json, notification_json
from pagereeve.domain.alerts.message import AlertStep
from pagereeve.domain.alerts.telling import compose
from pagereeve.domain.ledger import Charge, Finding, Posting, ReleaseKey, RowSegment, Stretch
from pagereeve.store.errors import CantOpen, ForeignSideFile, InUse, LostCommits, NewerSchema, NoSpace, NotAJournal
from pagereeve.store.records.fact_record import file
from pagereeve.store.records.ledger_records import charge_columns
from pagereeve.store.sql import tables as schema
from pagereeve.store.sqlite.journal import SqlJournal
from pagereeve.store.sqlite.reads import SqlReads
from pagereeve.store.sqlite.upgrade import MARGIN_BYTES, PHASES, config
from tests.findings import said
from tests.journal_samples import NOON_US, badge, charge

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

HOLDER = """
    import asyncio, sys
    from pathlib import Path
    from pagereeve.app.clocks import SystemClock
    from pagereeve.store.sqlite.journal import SqlJournal
    from tests.journal_samples import badge

    async def main():
        journal = await SqlJournal.open(Path(sys.argv[1]), SystemClock())
        await journal.append(badge(f"held-{journal.fence}"))
        print(journal.fence, flush=True)
        await asyncio.sleep(60)

    asyncio.run(main())
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "journal.db"


@pytest.fixture
def hold(path: Path) -> Iterator[Callable[[], subprocess.Popen[str]]]:
    """Starts a process that holds the journal; returns once it does."""
    started: list[subprocess.Popen[str]] = []

    def start() -> subprocess.Popen[str]:
        child = subprocess.Popen(
            [sys.executable, "-c", textwrap.dedent(HOLDER), str(path)],
            stdout=subprocess.PIPE,
            text=True,
            cwd=Path(__file__).parents[2],
        )
        started.append(child)
        assert child.stdout is not None
        assert child.stdout.readline().strip().isdigit()
        return child

    yield start
    for child in started:
        child.kill()
        child.communicate()


def statement(path: Path, text: str) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(text)


async def opened(path: Path) -> SqlJournal:
    return await SqlJournal.open(path, SystemClock())


async def filled(path: Path) -> None:
    journal = await opened(path)
    await journal.append(badge("e1"))
    await journal.close()


async def test_a_second_process_is_refused_and_told_by_whom(
    path: Path, hold: Callable[[], subprocess.Popen[str]]
) -> None:
    child = hold()
    with pytest.raises(InUse, match=f"process {child.pid} has it open"):
        await opened(path)


async def test_the_same_process_is_refused_too_also_by_another_name(path: Path, tmp_path: Path) -> None:
    journal = await opened(path)
    link = tmp_path / "link.db"
    link.symlink_to(path)
    for name in (path, link):
        with pytest.raises(InUse, match=str(os.getpid())):
            await opened(name)
    await journal.close()
    await (await opened(link)).close()


async def test_after_a_kill_the_next_takes_over_with_a_higher_fence(
    path: Path, hold: Callable[[], subprocess.Popen[str]]
) -> None:
    for _ in range(2):
        child = hold()
        child.kill()
        child.wait()
    journal = await opened(path)
    assert journal.fence == 3
    assert await journal.count_facts() == 2
    await journal.close()


def test_a_process_that_ends_without_closing_does_end(path: Path) -> None:
    dying = HOLDER.replace("await asyncio.sleep(60)", "raise SystemExit(3)")
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(dying), str(path)],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        timeout=20,
        check=False,
    )
    assert done.returncode == 3


async def test_others_may_read_beside_the_holder(path: Path) -> None:
    journal = await opened(path)
    async with await SqlReads.open_for_reading(path) as reads:
        await journal.append(badge("e1"))
        assert await reads.count_facts() == 1
        assert [fact async for fact in reads.all_facts()] == [badge("e1")]
    await journal.close()


async def test_reading_creates_no_file(path: Path) -> None:
    with pytest.raises(CantOpen, match="no such file"):
        await SqlReads.open_for_reading(path)
    assert not path.exists()


async def test_a_newer_schema_is_refused_and_left_alone(path: Path) -> None:
    await filled(path)
    statement(path, "UPDATE alembic_version SET version_num = 'r9999'")
    for _ in range(2):
        with pytest.raises(NewerSchema, match="r9999"):
            await opened(path)
        with pytest.raises(NewerSchema, match="r9999"):
            await SqlReads.open_for_reading(path)
    statement(path, f"UPDATE alembic_version SET version_num = '{schema.REVISION}'")
    journal = await opened(path)
    assert await journal.count_facts() == 1
    await journal.close()


async def test_another_programs_database_is_refused_and_left_alone(path: Path) -> None:
    statement(path, "CREATE TABLE recipes (name TEXT)")
    with pytest.raises(NotAJournal, match="recipes"):
        await opened(path)
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT name FROM sqlite_master").fetchall() == [("recipes",)]


async def test_a_file_that_is_no_database_is_refused(path: Path) -> None:
    path.write_bytes(b"Dear diary, today I counted pages. " * 200)
    before = path.read_bytes()
    with pytest.raises(NotAJournal):
        await opened(path)
    with pytest.raises(NotAJournal):
        await SqlReads.open_for_reading(path)
    assert path.read_bytes() == before


async def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(CantOpen, match=r"nowhere/journal\.db.*the folder must exist"):
        await opened(tmp_path / "nowhere" / "journal.db")


async def test_a_refused_opening_lets_go_of_the_lock(path: Path) -> None:
    path.write_bytes(b"x" * 4_096)
    with pytest.raises(NotAJournal):
        await opened(path)
    path.unlink()
    await (await opened(path)).close()


async def test_too_little_space_refuses_a_migration_and_only_that(path: Path) -> None:
    """xbapps/xbvr#1902: refused before anything changes."""
    with pytest.raises(NoSpace, match="bytes free in its folder; 1000 are"):
        await SqlJournal.open(path, SystemClock(), free=lambda _: 1_000)
    with pytest.raises(NoSpace):
        await SqlJournal.open(path, SystemClock(), free=lambda _: MARGIN_BYTES - 1)
    assert path.stat().st_size <= 4_096
    await filled(path)
    journal = await SqlJournal.open(path, SystemClock(), free=lambda _: 1_000)
    assert await journal.count_facts() == 1
    await journal.close()


async def test_a_migration_that_breaks_off_leaves_nothing_behind(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks_off(connection: Connection, at: Path) -> None:
        with connection.begin():
            connection.exec_driver_sql("CREATE TABLE half (done TEXT)")
            raise RuntimeError("power cut")

    with monkeypatch.context() as patch:
        patch.setattr("pagereeve.store.sqlite.upgrade.migrate", breaks_off)
        with pytest.raises(RuntimeError):
            await opened(path)
    await filled(path)


async def test_a_backup_put_back_under_a_newer_side_file_is_refused(
    path: Path, tmp_path: Path, hold: Callable[[], subprocess.Popen[str]]
) -> None:
    """vellum-ai/vellum-assistant#27156: the side file would be replayed onto another state."""
    await filled(path)
    backup = tmp_path / "backup.db"
    shutil.copy(path, backup)
    child = hold()
    child.kill()
    child.wait()
    side_file = path.with_name("journal.db-wal")
    assert side_file.stat().st_size > 0
    shutil.copy(backup, path)
    with pytest.raises(ForeignSideFile, match=r"move journal\.db-wal away"):
        await opened(path)
    side_file.rename(tmp_path / "aside")
    with pytest.raises(LostCommits, match="1 of 2"):
        await opened(path)
    journal = await SqlJournal.open(path, SystemClock(), accept_loss=True)
    assert await journal.count_facts() == 2, "the fact that was there, and that the other was given up"
    await journal.close()


async def test_all_files_moved_together_after_a_kill_are_accepted(
    path: Path, tmp_path: Path, hold: Callable[[], subprocess.Popen[str]]
) -> None:
    child = hold()
    child.kill()
    child.wait()
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    for one in tmp_path.glob("journal.db*"):
        shutil.copy(one, elsewhere)
    journal = await opened(elsewhere / "journal.db")
    assert await journal.count_facts() == 1
    await journal.close()


async def test_migrations_bring_about_exactly_the_tables_of_the_schema(path: Path) -> None:
    journal = await opened(path)

    def differences(connection: Connection) -> list[object]:
        with connection.begin():
            return list(compare_metadata(MigrationContext.configure(connection), schema.metadata))

    assert await journal._thread.run(differences) == []
    await journal.close()


async def test_a_journal_of_the_first_revision_keeps_its_facts_and_drops_its_projection(path: Path) -> None:
    settings, filing = config(), file(badge("e1"))
    with create_engine(f"sqlite:///{path}").begin() as connection:
        settings.attributes["connection"] = connection
        command.upgrade(settings, "r0001")
        row = {"printer": filing.printer, "seq": 1, "kind": filing.kind, "at_us": filing.at_us, "body": filing.body}
        row |= {"source": filing.fact.origin.source, "event_id": "e1", "digest": filing.digest}  # type: ignore[union-attr]
        names = ", ".join(row)
        connection.execute(text(f"INSERT INTO fact ({names}) VALUES (:{names.replace(', ', ', :')})"), row)
        connection.execute(text("INSERT INTO sheaf (printer, anchor_us) VALUES ('p', 0)"))
        old = "('p', 0, 0, 'f-1', 'surplus', 'warning', 1, 'open', 'old')"
        columns = "printer, anchor_us, ordinal, id, kind, severity, since_us, state, text"
        connection.execute(text(f"INSERT INTO finding ({columns}) VALUES {old}"))
    journal = await opened(path)
    try:
        assert await journal.count_facts() == 1
        assert [fact async for fact in journal.badge_facts()] == [badge("e1")]
        assert await journal.findings(only_open=False) == []
        assert await journal.finding("f-1") is None
        await journal.replace("p", None, [RowSegment("p", 0, None, findings=(FOUND,))])
        assert await journal.finding("f-2") == FOUND
    finally:
        await journal.close()


async def test_what_is_open_in_a_journal_of_the_second_revision_is_news_to_whoever_is_told(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    settings = config()
    with create_engine(f"sqlite:///{path}").begin() as connection:
        settings.attributes["connection"] = connection
        command.upgrade(settings, "r0002")
        connection.execute(text("INSERT INTO sheaf (printer, anchor_us) VALUES ('p', 0)"))
        columns = "printer, anchor_us, ordinal, id, kind, severity, since_us, state, text"
        for number, state in enumerate(("open", "explained")):
            row = f"('p', 0, {number}, 'f-{number}', 'surplus', 'warning', 1, '{state}', 'old')"
            connection.execute(text(f"INSERT INTO finding ({columns}) VALUES {row}"))
    journal = await opened(path)
    try:
        assert [one.finding for one in await journal.changes(10)] == ["f-0"]
        assert [one.id for one in await journal.findings(only_open=False)] == ["f-0", "f-1"]
    finally:
        await journal.close()


async def test_messages_that_wait_since_the_third_revision_bear_the_new_words(tmp_path: Path) -> None:
    path, settings = tmp_path / "journal.db", config()
    words: dict[AlertStep, str] = {"opened": "begins", "updated": "goes-on"}
    alert = begun(FOUND, SiteLayout(), NOON_US)
    with create_engine(f"sqlite:///{path}").begin() as connection:
        settings.attributes["connection"] = connection
        command.upgrade(settings, "r0003")
        for step, old in words.items():
            _, message = compose(alert, step, SiteLayout(), NOON_US)
            body = json.dumps(notification_json(message) | {"step": old})
            row = {"receiver": step, "alert": alert.id, "nth": 1, "at_us": NOON_US, "body": body}
            names = "receiver, alert, nth, at_us, body"
            connection.execute(text(f"INSERT INTO message ({names}) VALUES (:{names.replace(', ', ', :')})"), row)
        add_old_alert(connection, alert, body)
    journal = await opened(path)
    try:
        waiting = {step: [one.step for one in await journal.waiting(step, 9)] for step in words}
        assert waiting == {step: [step] for step in words}
        assert [last.step for _, last in await journal.alerts() if last is not None] == ["updated"]
    finally:
        await journal.close()


def add_old_alert(connection: Connection, alert: Alert, message: str) -> None:
    """As it was kept before evidence was typed."""
    lines = ["release r-1 of urn:s", "job j-1, owner anise"]
    old = {"text": "3 counted, 2 expected", "evidence": lines}
    kept = alert_json(alert)
    kept["last"] = {name: value for name, value in kept["last"].items() if name != "what"} | old
    row = {"id": alert.id, "body": json.dumps(kept | {"members": [kept["last"]]}), "message": message}
    connection.execute(text("INSERT INTO alert (id, body, message) VALUES (:id, :body, :message)"), row)


async def test_findings_of_the_fourth_revision_stand_and_their_lines_go(tmp_path: Path) -> None:
    path, settings = tmp_path / "journal.db", config()
    keys = [ReleaseKey("urn:s", f"r-{nth}") for nth in range(3)]
    alert = begun(FOUND, SiteLayout(), NOON_US)
    with create_engine(f"sqlite:///{path}").begin() as connection:
        settings.attributes["connection"] = connection
        command.upgrade(settings, "r0004")
        connection.execute(text("INSERT INTO sheaf (printer, anchor_us, seed) VALUES ('p', 0, '{}')"))
        for nth, one in enumerate(keys):
            row = {"printer": "p", "anchor_us": 0, "ordinal": nth} | charge_columns(charge("p", one, NOON_US))
            names = ", ".join(row)
            connection.execute(text(f"INSERT INTO charge ({names}) VALUES (:{names.replace(', ', ', :')})"), row)
        columns = "printer, anchor_us, ordinal, id, kind, severity, since_us, state, text"
        old = "('p', 0, 0, 'f-2', 'surplus', 'warning', 1, 'open', '3 counted, 2 expected')"
        connection.execute(text(f"INSERT INTO finding ({columns}) VALUES {old}"))
        lines = [
            "total 1 at noon",
            *(f"release {one.release} of {one.source}" for one in keys[:2]),
            "job j, owner anise",
        ]
        for place, line in enumerate(lines):
            row = {"place": place, "line": line}
            connection.execute(text("INSERT INTO evidence VALUES ('p', 0, 0, :place, :line)"), row)
        _, message = compose(alert, "opened", SiteLayout(), NOON_US)
        body = json.dumps(notification_json(message) | {"evidence": lines[:3]})
        row = {"receiver": "desk", "alert": alert.id, "nth": 1, "at_us": NOON_US, "body": body}
        names = "receiver, alert, nth, at_us, body"
        connection.execute(text(f"INSERT INTO message ({names}) VALUES (:{names.replace(', ', ', :')})"), row)
        add_old_alert(connection, alert, body)
    journal = await opened(path)
    try:
        what, keeps = said("3 counted, 2 expected"), replace(message, evidence=())
        stands = Finding("f-2", "surplus", "warning", "p", 1, None, "open", what, releases=tuple(keys[:2]))
        assert await journal.findings(only_open=True) == [stands]
        assert [await journal.findings_of(one) for one in keys] == [[stands], [stands], []]
        assert [one.resume_point for one in await journal.segments("p")] == [{}]
        assert await journal.waiting("desk", 9) == [keeps]
        speaks = replace(alert.last, what=what, evidence=())
        assert await journal.alerts() == [(replace(alert, last=speaks, members={"f-2": speaks}), keeps)]
        await journal.replace("p", None, [RowSegment("p", 0, None, findings=(FOUND,))])
        assert await journal.finding("f-2") == FOUND
    finally:
        await journal.close()


async def test_a_journal_of_the_sixth_revision_has_no_check_value_yet_and_keeps_its_facts(path: Path) -> None:
    settings, filing = config(), file(badge("e1"))
    with create_engine(f"sqlite:///{path}").begin() as connection:
        settings.attributes["connection"] = connection
        command.upgrade(settings, "r0006")
        row = {"printer": filing.printer, "seq": 1, "kind": filing.kind, "at_us": filing.at_us, "body": filing.body}
        row |= {"source": filing.fact.origin.source, "event_id": "e1", "digest": filing.digest}  # type: ignore[union-attr]
        names = ", ".join(row)
        connection.execute(text(f"INSERT INTO fact ({names}) VALUES (:{names.replace(', ', ', :')})"), row)
    for kept in (None, "one", "another"):
        journal = await opened(path)
        try:
            assert [fact async for fact in journal.badge_facts()] == [badge("e1")]
            assert await journal.key_check("badge") == kept
            await journal.keep_key_check("badge", "another" if kept else "one")
            assert await journal.key_check("another") is None
        finally:
            await journal.close()


async def test_a_journal_of_the_eighth_revision_has_no_credential_and_keeps_its_facts(path: Path) -> None:
    settings, filing = config(), file(badge("e1"))
    with create_engine(f"sqlite:///{path}").begin() as connection:
        settings.attributes["connection"] = connection
        command.upgrade(settings, "r0008")
        row = {"printer": filing.printer, "seq": 1, "kind": filing.kind, "at_us": filing.at_us, "body": filing.body}
        row |= {"source": filing.fact.origin.source, "event_id": "e1", "digest": filing.digest}  # type: ignore[union-attr]
        names = ", ".join(row)
        connection.execute(text(f"INSERT INTO fact ({names}) VALUES (:{names.replace(', ', ', :')})"), row)
    journal = await opened(path)
    try:
        assert [fact async for fact in journal.badge_facts()] == [badge("e1")]
        assert await journal.credentials() == []
    finally:
        await journal.close()


FOUND = Finding("f-2", "surplus", "warning", "p", 1, None, "open", said("new"), (said("a line"),), 3, "jam", "a place")


def test_the_schema_names_the_newest_revision() -> None:
    assert ScriptDirectory.from_config(config()).get_heads() == [schema.REVISION]


def test_every_revision_says_whether_it_expands_or_contracts() -> None:
    revisions = list(ScriptDirectory.from_config(config()).walk_revisions())
    assert revisions
    for revision in revisions:
        assert revision.module.phase in PHASES, revision.revision


@pytest.mark.parametrize(
    ("table", "row"),
    [(schema.stretch, Stretch), (schema.charge, Charge), (schema.posting, Posting), (schema.finding, Finding)],
)
def test_columns_bear_the_names_of_the_ledgers_fields(table: Table, row: type[DataclassInstance]) -> None:
    columns = set(table.c.keys()) - {"anchor_us", "ordinal", "source", "expected_least", "expected_most"}
    # Parts in tables of their own; a stretch's releases are a column.
    parts = {"expected", "legs", "evidence", *({"releases"} if row is Finding else ())}
    assert columns == {field.name for field in fields(row)} - parts
