"""``pagereeve move``: a journal in its file becomes one in PostgreSQL, and its answers are the same to the byte."""

from __future__ import annotations

import asyncio
import fcntl
import json
import os
import pty
import struct
import subprocess
import sys
import termios
from contextlib import suppress
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.daemon import App
from pagereeve.app.journals import open_alone
from pagereeve.settings import PrinterSettings
from pagereeve.settings.journal import JournalSettings
from pagereeve.store.errors import MoveUnfinished
from pagereeve.store.postgres.address import Address
from pagereeve.store.sql.moved_tables import MOVED
from pagereeve.store.sqlite import moving as source
from pagereeve.store.sqlite.files import JOURNAL_NAME
from tests.histories import PRINTER, SIMPLE, started
from tests.integration.daemon import Outside, hasty_settings
from tests.integration.moves import Move, digests, nobody_is_there
from tests.integration.postgres_server import Server
from tests.integration.test_postgres_commands import SETTINGS, Site, _answers, months_work
from tests.integration.test_postgres_daemon import journal_settings
from tests.integration.test_upgrade import PRINTERS

ROOT = Path(__file__).parents[2]
KEPT = ("r0009", "r0015")
QUESTIONS = (
    *(("totals", "--by", by, "--format", "json") for by in ("person", "cost-centre", "printer")),
    ("releases", "--format", "csv"),
    ("findings", "--all", "--json"),
    ("losses", "--format", "csv"),
    ("ledger",),
    ("facts",),
    ("closed", "--json"),
    ("alerts", "--json"),
    ("replay", "--check"),
    ("verify", "--json"),
)


def sealed(move: Move) -> dict[str, object]:
    status, out, _ = move.asked("verify", "--json", "--config", str(move.database))
    assert status == 0
    head: dict[str, object] = json.loads(out)["seal"]
    return head


@pytest.mark.timeout(300)
@pytest.mark.parametrize("kept", KEPT)
def test_every_answer_is_the_same_to_the_byte_and_the_file_is_as_it_was(kept: str, move: Move) -> None:
    move.keep(kept)
    before = digests(move.data)
    status, out, err = move.moved()
    assert (status, err) == (0, "")
    assert digests(move.data) == before
    assert f"SHA-256 {before[JOURNAL_NAME]}" in out
    assert str(move.address.password) not in out
    for question in QUESTIONS:
        ours, theirs = move.both(*question)
        assert ours == theirs, question
        assert ours[0] in {0, 1}, ours
    head = sealed(move)
    asyncio.run(_one_more(move.address))
    held = f"{head['size']}:{head['head']}"
    status, out, _ = move.asked("verify", "--json", "--head", held, "--config", str(move.database))
    assert status == 0
    assert json.loads(out)["seal"]["size"] == head["size"] + 1  # type: ignore[operator]


async def _one_more(address: Address) -> None:
    async with open_alone(address, SystemClock()) as journal:
        await journal.append(started("one-more", 300, "=basil", SIMPLE))


@pytest.mark.timeout(300)
def test_a_month_with_closes_decisions_people_and_credentials_answers_the_same(
    move: Move, capsys: pytest.CaptureFixture[str]
) -> None:
    sites = []
    for config in (move.file, move.database):
        config.write_text(SETTINGS.format(printer=PRINTER) + config.read_text().partition("\n")[2])
        sites.append(Site(config, move.journal if config is move.file else move.address, capsys))
    months_work(sites[0])
    sites[0].said.clear()
    sites[0].files.clear()
    before = digests(move.data)
    assert move.moved()[0] == 0
    assert digests(move.data) == before
    for site in sites:
        for path in site.config.parent.glob("2026-*"):
            path.unlink()
        _answers(site)
        site.run("credentials", "list", "--json")
        site.run("people", "list", "--json")
        site.run("noted-readings", "--json")
    for ours, theirs in zip(sites[0].said, sites[1].said, strict=True):
        assert ours == theirs
    assert sites[0].files == sites[1].files
    assert len(sites[0].files) > 10


@pytest.mark.timeout(300)
def test_the_daemon_goes_on_with_the_database(move: Move) -> None:
    move.keep("r0015")
    assert move.moved()[0] == 0
    head, before = sealed(move), move.both("facts")[0][1].splitlines()
    journal = journal_settings(move.address, move.file.parent)
    asyncio.run(_daemon(move.data, journal))
    assert not move.journal.with_name("journal.sqlite-wal").exists()
    after = move.asked("facts", "--config", str(move.database))[1].splitlines()
    assert any("after-the-move" in line for line in after)
    known = {line for line in before if '"open":true' not in line}
    assert [line for line in after if line in known] == [line for line in before if line in known]
    assert move.asked("replay", "--check", "--config", str(move.database))[0] == 0
    held = f"{head['size']}:{head['head']}"
    assert move.asked("verify", "--head", held, "--config", str(move.database))[0] == 0
    again = move.moved()
    assert again[0] == 2
    assert "holds this journal already" in again[2]


async def _daemon(data: Path, journal: JournalSettings) -> None:
    printers = [PrinterSettings(name=name, host="127.0.0.1", port=port) for port, name in enumerate(PRINTERS, 1)]
    settings = hasty_settings(data, printers, journal=journal)
    async with App(settings, first_reads_spread_s=0.0) as app, Outside(app) as outside:
        assert (await outside.started("after-the-move", PRINTERS[0], 3)).status_code < 300


KILLS = (
    ("begun", 1),
    ("made", 1),
    ("within", 1),
    ("added", 3),
    ("within", 2),
    ("added", 9),
    ("prepared", 1),
    ("finishing", 1),
)


@pytest.mark.timeout(600)
def test_whenever_it_is_killed_the_same_command_goes_on_and_until_its_end_nobody_opens_the_database(
    move: Move, postgres: Server
) -> None:
    move.keep("r0015")
    before = digests(move.data)
    stored = [0]
    for point, nth in KILLS:
        died = until(move, point, nth)
        assert died.returncode == -9, (point, died.stderr)
        nobody_is_there(postgres, move.address)
        assert digests(move.data) == before, point
        for question in (("totals",), ("credentials", "add", "warden", "--act", "note"), ("replay",)):
            status, _, err = move.asked(*question, "--config", str(move.database))
            assert status == 2
            assert "a move into this database is not finished; run pagereeve move again" in err, question
        rows = "SELECT coalesce(sum(row_count), 0) FROM journal_move_table"
        if point not in {"begun", "made"}:
            stored.append(int(postgres.run(rows, move.address.database)))
    # What was committed stayed, what was not did not count, and no run began anew.
    assert stored == sorted(stored)
    assert stored[1] == 0 < stored[2]
    assert len(set(stored)) > 3
    last = until(move, "finished", 1)
    assert last.returncode == -9
    nobody_is_there(postgres, move.address)
    assert (
        postgres.run("SELECT count(*) FROM pg_tables WHERE tablename LIKE 'journal_move%'", move.address.database)
        == "0"
    )
    assert digests(move.data) == before
    for words in ("verify --json", "facts", "totals --format json", "replay --check"):
        ours, theirs = move.both(*words.split())
        assert ours == theirs, words


def until(move: Move, point: str, nth: int) -> subprocess.CompletedProcess[str]:
    argv = [sys.executable, "-m", "tests.integration.move_until", point, str(nth), str(move.database)]
    return subprocess.run(argv, capture_output=True, text=True, timeout=120, check=False, cwd=ROOT)


@pytest.mark.parametrize(("rows", "size_bytes"), [(7, 10**9), (10**9, 3_000)])
def test_what_is_held_at_once_is_bounded_and_all_of_it_comes_once(
    move: Move, monkeypatch: pytest.MonkeyPatch, rows: int, size_bytes: int
) -> None:
    move.keep("r0015")
    monkeypatch.setattr(source, "BATCH_ROWS", rows)
    monkeypatch.setattr(source, "BATCH_BYTES", size_bytes)
    with source.move_source(move.journal) as opened:
        for moved in MOVED:
            batches = list(opened.batches(moved))
            assert sum(len(one.rows) for one in batches) == opened.journal.rows[moved.name]
            for one in batches:
                last = sum(len(value) for value in one.rows[-1] if isinstance(value, str | bytes))
                assert len(one.rows) <= rows
                assert one.size_bytes - last < size_bytes
            numbers = [one.upto for one in batches]
            assert numbers == sorted(set(numbers))
            if len(batches) > 1:
                rest = list(opened.batches(moved, numbers[0]))
                assert [one.rows for one in rest] == [one.rows for one in batches[1:]]


def test_on_a_terminal_a_bar_shows_how_far_it_is(move: Move) -> None:
    move.keep("r0015")
    ours, theirs = pty.openpty()
    # Wide enough that no word is cut, as a terminal says it (tty_ioctl(4)).
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 160, 0, 0))
    argv = [sys.executable, "-c", "from pagereeve.cli import main; main()", "move", "--config", str(move.database)]
    environment = {**os.environ, "TERM": "xterm"}
    with subprocess.Popen(argv, stdout=subprocess.PIPE, stderr=theirs, env=environment) as done:
        os.close(theirs)
        shown = b""
        with suppress(OSError):  # EIO: the other end is closed
            while part := os.read(ours, 65_536):
                shown += part
        os.close(ours)
        out = done.communicate(timeout=60)[0].decode()
    assert done.returncode == 0
    assert "The journal is whole in" in out
    assert "%" not in out
    assert b"100%" in shown
    assert b"compares answers" in shown


async def test_a_daemon_refuses_a_database_into_which_a_move_is_not_finished(move: Move, postgres: Server) -> None:
    postgres.run("CREATE TABLE journal_move (origin text)", move.address.database)
    settings = hasty_settings(move.data, [], journal=journal_settings(move.address, move.file.parent))
    with pytest.raises(MoveUnfinished, match="is not finished; run pagereeve move again"):
        await App(settings).__aenter__()
