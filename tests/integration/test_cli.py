"""The command line on a real journal file, as processes of their own where that matters."""

from __future__ import annotations

import asyncio
import csv
import gc
import io
import json
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.app.compiled import ChangedAfterCompiling
from pagereeve.app.replay import replay_store
from pagereeve.cli import COMMANDS, main, status_of
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.findings.waiting import Waiting
from pagereeve.domain.projection.projector import replay as replayed
from pagereeve.reports.projected import PrinterLedger, printer_json
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.histories import ONE_RELEASE, PRINTER, SIMPLE, assigned, reading, started

HTTP = '[http]\nlisten = "127.0.0.1:0"\n[[gateways]]\nname = "g"\n'
RUN = reading(61, 90, 1005)
FACTS: tuple[Fact, ...] = (*ONE_RELEASE, assigned("anise", "00042", 0))


@pytest.fixture
async def folder(tmp_path: Path) -> Path:
    """A daemon's data folder with one worked release in it."""
    journal = await SqlJournal.open(tmp_path / JOURNAL_NAME, SystemClock())
    try:
        for fact in FACTS:
            await journal.append(fact)
        await journal.observe(PRINTER, [], RUN)
        await replay_store(journal, store=True)
    finally:
        await journal.close()
    return tmp_path


def pagereeve(*arguments: str, given: bytes = b"", **variables: str) -> subprocess.CompletedProcess[bytes]:
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PAGEREEVE_")} | variables
    command = [sys.executable, "-c", "from pagereeve.cli import main; main()", *arguments]
    return subprocess.run(command, input=given, capture_output=True, env=environment, timeout=60, check=False)


def test_facts_to_a_file_and_projected_are_the_ledger_of_the_journal(folder: Path) -> None:
    file = folder / "facts.ndjson"
    exported = pagereeve("facts", "--data-dir", str(folder), "--out", str(file))
    assert (exported.returncode, exported.stdout, exported.stderr) == (0, b"", b"")
    assert file.stat().st_mode & 0o077 == 0
    projected = pagereeve("project", str(file), "--json", "--by", "cost-centre")
    assert (projected.returncode, projected.stderr) == (0, b"")
    body = json.loads(projected.stdout)
    rows = printer_json(PrinterLedger((), replayed(PRINTER, ONE_RELEASE, RUN), (), (Waiting("total", 0, 0),)))
    assert {name: body["printers"][PRINTER][name] for name in rows if name != "conservation"} == {
        name: value for name, value in rows.items() if name != "conservation"
    }
    assert all(line["ok"] for line in body["printers"][PRINTER]["conservation"])
    assert [(one["cost_centre"], one["charged"]) for one in body["totals"]["totals"]] == [("00042", 5)]
    assert body["facts"] == len(FACTS) + 1


def test_facts_pass_through_a_pipe(folder: Path) -> None:
    exported = pagereeve("facts", "--data-dir", str(folder))
    assert exported.stdout.count(b"\n") == len(FACTS) + 1
    projected = pagereeve("project", "-", given=exported.stdout)
    assert projected.returncode == 0
    assert b"Conservation holds for 1 of 1 meter runs and channels, from 10 facts." in projected.stdout


def test_bad_lines_are_told_on_stderr_and_the_others_are_projected(folder: Path) -> None:
    exported = pagereeve("facts", "--data-dir", str(folder)).stdout
    projected = pagereeve("project", "-", "--json", given=b'{"fact":"reading"}\n' + exported + b"x\n")
    assert projected.returncode == 1
    told = projected.stderr.decode().splitlines()
    assert told[0] == "pagereeve: stdin: line 1: printer: is missing or empty; a text is needed"
    assert told[1].startswith("pagereeve: stdin: line 12: is no JSON")
    assert told[2] == "pagereeve: stdin: 2 of 12 lines left out: no facts"
    body = json.loads(projected.stdout)
    assert body["bad_lines"] == 2
    assert len(body["printers"][PRINTER]["charges"]) == 1


def test_a_reader_that_stops_early_is_no_error(folder: Path) -> None:
    command = f"{sys.executable} -c 'from pagereeve.cli import main; main()' facts --data-dir {folder} | head -c 10"
    done = subprocess.run(["bash", "-c", command], capture_output=True, timeout=60, check=False)
    assert (len(done.stdout), done.stderr) == (10, b"")


@pytest.mark.parametrize("by", ["person", "cost-centre", "printer"])
def test_totals_as_csv_and_json_say_the_same(folder: Path, by: str, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    options = ["totals", "--data-dir", str(folder), "--by", by, "--period", "2026-11", "--zone", "Europe/Berlin"]
    assert status_of([*options, "--format", "csv", "--bom"]) == 0
    raw = capsysbinary.readouterr().out
    assert raw.startswith(b"\xef\xbb\xbf")
    row, total = csv.DictReader(io.StringIO(raw.decode("utf-8-sig")))
    assert (row["kind"], total["kind"], row["pages"], total["pages"]) == ("people", "total", "5", "5")
    assert status_of([*options, "--format", "json"]) == 0
    (line,) = json.loads(capsysbinary.readouterr().out)["totals"]
    assert (row["released"], row["counted"], row["charged"], row["unproven"]) == ("5", "5", "5", "0")
    assert [str(line[name]) for name in ("released", "counted", "charged")] == ["5", "5", "5"]
    assert status_of([*options, "--format", "table"]) == 0
    shown = capsysbinary.readouterr().out.decode()
    assert "from 2026-11-01 00:00:00+01:00 to just before 2026-12-01 00:00:00+01:00" in shown
    assert ("every page counted" in shown) == (by == "printer")


def test_a_period_without_releases_is_empty(folder: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    assert status_of(["totals", "--data-dir", str(folder), "--period", "2026-10", "--format", "json"]) == 0
    assert json.loads(capsysbinary.readouterr().out)["totals"] == []


def test_explain_shows_the_chain_and_json_holds_it(folder: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    assert status_of(["explain", "r-1001", "--data-dir", str(folder), "--zone", "Europe/Berlin"]) == 0
    assert b"Counted: 1005 - 1000 = 5" in capsysbinary.readouterr().out
    assert status_of(["explain", "r-1001", "--data-dir", str(folder), "--json"]) == 0
    (body,) = json.loads(capsysbinary.readouterr().out)
    assert body["charges"][0]["verdict"] == "agrees"
    assert status_of(["explain", "r-1001", "--names", "--data-dir", str(folder), "--json"]) == 0
    assert json.loads(capsysbinary.readouterr().out)[0]["names_left_out"] is False
    assert status_of(["explain", "R-1010", "--data-dir", str(folder), "--zone", "Europe/Berlin"]) == 2
    said = capsysbinary.readouterr().err.decode()
    assert "no release 'R-1010' is known" in said
    assert f"\n  r-1001 of /release-server, at {PRINTER}, 2026-11-25 10:00:00+01:00: its name is like it\n" in said


async def test_open_findings_are_status_1_and_none_is_0(
    folder: Path, capsysbinary: pytest.CaptureFixture[bytes]
) -> None:
    # A process of its own: it must not touch this test's loop.
    assert pagereeve("findings", "--data-dir", str(folder)).returncode == 0
    journal = await SqlJournal.open(folder / JOURNAL_NAME, SystemClock())
    await journal.append(started("r-1002", 100, "basil", SIMPLE))
    await journal.observe(PRINTER, [RUN], reading(105, 200, 1012))
    await replay_store(journal, store=True)
    await journal.close()
    told = pagereeve("findings", "--data-dir", str(folder), "--json")
    assert told.returncode == 1
    assert {one["kind"] for one in json.loads(told.stdout)} == {"surplus", "release-never-ended"}
    assert pagereeve("findings", "--data-dir", str(folder), "--printer", "elsewhere").returncode == 0


def test_the_ledger_of_the_period_is_double_entry(folder: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    assert status_of(["ledger", "--data-dir", str(folder), "--period", "2026-11-25"]) == 0
    text = capsysbinary.readouterr().out.decode()
    assert "Expenses:People:P-anise  5 TOTAL-IMPRESSIONS" in text
    assert "2026-11-26 balance Income:Meter:M-library-2dground  -5 TOTAL-IMPRESSIONS" in text
    assert status_of(["ledger", "--data-dir", str(folder), "--printer", "elsewhere"]) == 0
    assert b"balance" not in capsysbinary.readouterr().out


def test_replay_says_whether_anything_differs(folder: Path, capsysbinary: pytest.CaptureFixture[bytes]) -> None:
    assert status_of(["replay", "--data-dir", str(folder), "--check"]) == 0
    assert b"compared only; nothing differs." in capsysbinary.readouterr().out
    assert status_of(["replay", "--data-dir", str(folder)]) == 0
    assert b"tables rebuilt; nothing differs." in capsysbinary.readouterr().out


@pytest.fixture
def messages(capsys: pytest.CaptureFixture[str]) -> Iterator[Any]:
    yield lambda: capsys.readouterr().err
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["totals", "--by", "badge"], '--by. Choose from: "person"'),
        (["totals", "--nope"], "--nope"),
        (["tally"], 'Unknown command "tally"'),
        (["explain"], "RELEASE requires an argument"),
        (["explain", "r-9"], "no release 'r-9' is known"),
        (["totals", "--period", "2026-13"], "--period: '2026-13' is not in the calendar"),
        (["totals", "--zone", "Europe/Atlantis"], "--zone: 'Europe/Atlantis' is no time zone"),
        (["findings", "--zone", "x"], "--zone"),
        (["facts", "--printer", "elsewhere"], "--printer: no facts of a printer 'elsewhere'"),
        (["facts", "--out", "/nowhere/at/all"], "No such file or directory"),
    ],
)
def test_a_bad_question_is_one_line_and_status_2(folder: Path, arguments: list[str], told: str, messages: Any) -> None:
    given = [*arguments, "--data-dir", str(folder)] if len(arguments) > 1 else arguments
    assert status_of(given) == 2
    message = messages()
    assert told in message
    assert message.count("\n") == 1


def test_a_folder_without_a_journal_and_a_missing_file_are_status_2(tmp_path: Path, messages: Any) -> None:
    for arguments in (["totals"], ["replay"], ["facts"], ["explain", "x"]):
        assert status_of([*arguments, "--data-dir", str(tmp_path)]) == 2
        assert "there is no such file; the daemon creates it at its first start" in messages()
    assert status_of(["project", str(tmp_path / "none")]) == 2
    assert "No such file" in messages()


def test_the_settings_file_names_the_folder_by_option_or_variable(folder: Path) -> None:
    config = folder / "pagereeve.toml"
    config.write_text('data_dir = "."\n')
    assert b"anise" in pagereeve("totals", "--config", str(config)).stdout
    assert b"anise" in pagereeve("totals", PAGEREEVE_SETTINGS=str(config)).stdout


def test_check_config_says_all_that_is_wrong(tmp_path: Path, messages: Any, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "pagereeve.toml"
    config.write_text('data_dir = "."\n')
    assert status_of(["check-config", str(config)]) == 0
    assert "OK. 0 printers" in capsys.readouterr().out
    config.write_text('[people]\nfile = "none.csv"\n[http]\ntoken_files = ["none.token"]\n')
    assert status_of(["check-config", str(config)]) == 2
    told = messages()
    assert "none.csv" in told
    assert "none.token" in told


def test_run_with_bad_settings_is_status_2(tmp_path: Path, messages: Any) -> None:
    assert status_of(["run", "--config", str(tmp_path / "none.toml")]) == 2
    assert "can't be read" in messages()


def test_run_at_a_port_that_is_taken_is_one_line_and_status_2(tmp_path: Path) -> None:
    """The web server ended the whole process by itself: the journal stayed open, and the log held a Python tuple."""
    config = tmp_path / "pagereeve.toml"
    with socket.create_server(("127.0.0.1", 0)) as taken:
        address = f"127.0.0.1:{taken.getsockname()[1]}"
        for more in (
            f'[http]\nlisten = "{address}"\n',
            f'[[feeds.lines]]\nname = "b"\ngateway = "g"\nlisten = "{address}"\n' + HTTP,
        ):
            config.write_text(f'data_dir = "data"\n{more}')
            done = pagereeve("run", "--config", str(config))
            assert (done.returncode, done.stdout) == (2, b"")
            told = done.stderr.decode().splitlines()[-1]
            assert told.startswith(f"pagereeve: can't listen on {address}: Address already in use;")
            assert b"Traceback" not in done.stderr
            assert b"('" not in done.stderr


@pytest.mark.parametrize(
    "fault", [RuntimeError("an invented fault"), RecursionError(), SystemExit(1), asyncio.CancelledError()]
)
@pytest.mark.parametrize("command", [name for name, _, _ in COMMANDS])
def test_a_fault_of_ours_never_looks_like_a_difference(
    command: str, fault: BaseException, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(_: object) -> None:
        raise fault

    monkeypatch.setattr("cyclopts.App.__call__", lambda app, *_, **__: broken(app))
    assert status_of([command]) == 70
    told = capsys.readouterr().err
    assert "Traceback" in told
    assert told.endswith("belongs into its report\n")


@pytest.mark.parametrize("command", [name for name, _, _ in COMMANDS])
def test_every_command_has_help(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert status_of([command, "--help"]) == 0
    assert f"Usage: pagereeve {command}" in capsys.readouterr().out


@pytest.mark.parametrize("arguments", [["--help"], ["run", "--help"], ["clock", "redate", "--help"]])
def test_help_whose_reader_has_left_ends_in_silence(arguments: list[str]) -> None:
    read_end, writing = os.pipe()
    os.close(read_end)
    command = [sys.executable, "-c", "from pagereeve.cli import main; main()", *arguments]
    try:
        done = subprocess.run(command, stdout=writing, stderr=subprocess.PIPE, timeout=60, check=False)
    finally:
        os.close(writing)
    assert (done.returncode, done.stderr) == (0, b"")


def test_help_imports_no_database_and_no_web_server() -> None:
    code = (
        "import sys; from pagereeve.cli import status_of; status_of(['--help']); "
        "print(sorted({'sqlalchemy', 'pydantic', 'starlette', 'uvicorn', 'prometheus_client'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, timeout=60, check=True)
    assert done.stdout.splitlines()[-1] == b"[]"


def test_a_command_on_a_file_loads_nothing_of_postgresql(tmp_path: Path) -> None:
    code = (
        f"import sys; from pagereeve.cli import status_of; status_of(['totals', '--data-dir', {str(tmp_path)!r}]); "
        "print(sorted({'sqlalchemy', 'sqlalchemy.dialects.postgresql', 'asyncpg'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, timeout=60, check=True)
    assert done.stdout.splitlines()[-1] == b"['sqlalchemy']"


def test_a_command_runs_with_the_collector_of_cycles_whose_looks_its_start_was_spared(
    capsys: pytest.CaptureFixture[str],
) -> None:
    try:
        with pytest.raises(SystemExit) as ended:
            main(["version"])
        assert ended.value.code == 0
        assert gc.isenabled()
        assert gc.get_freeze_count() > 0
    finally:
        gc.unfreeze()


def test_what_changed_after_it_was_compiled_is_refused_before_any_of_it_is_loaded(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse() -> None:
        raise ChangedAfterCompiling("one.py changed")

    loaded: list[str] = []
    monkeypatch.setattr("pagereeve.app.compiled.refuse_changed", refuse)
    monkeypatch.setattr("pagereeve.cli._load", loaded.append)
    with pytest.raises(SystemExit) as ended:
        main(["totals"])
    assert ended.value.code == 2
    assert loaded == []
    assert "one.py changed" in capsys.readouterr().err


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert status_of(["version"]) == 0
    assert capsys.readouterr().out.startswith("pagereeve 0.")
