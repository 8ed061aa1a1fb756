"""``pagereeve read`` of a fleet, as an engineer runs it who brings in many printers."""

from __future__ import annotations

import asyncio
import json
import os
import pty
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.cli import status_of
from pagereeve.simulator.college.fleet import Fleet

MANY = 60


@pytest.fixture
def fleet() -> Iterator[Fleet]:
    """Printers on a loop of their own, beside the command."""
    fleet, loop, ready = Fleet(MANY, SystemClock()), asyncio.new_event_loop(), threading.Event()

    async def serve(until: asyncio.Event) -> None:
        await fleet.start()
        ready.set()
        await until.wait()
        await fleet.stop()

    until = asyncio.Event()
    thread = threading.Thread(target=loop.run_until_complete, args=(serve(until),))
    thread.start()
    assert ready.wait(20)
    yield fleet
    loop.call_soon_threadsafe(until.set)
    thread.join(20)
    loop.close()


def places(fleet: Fleet) -> list[str]:
    return [f"{host}:{port}" for host, port in fleet.addresses().values()]


def test_a_file_of_printers_is_read_at_once(
    fleet: Fleet, tmp_path: Path, capsysbinary: pytest.CaptureFixture[bytes]
) -> None:
    path = tmp_path / "printers.txt"
    path.write_text("# all of them\n\n" + "\n".join(places(fleet)))
    assert status_of(["read", "--from", str(path), "--json"]) == 0
    out, err = capsysbinary.readouterr()
    assert err == b""
    body = json.loads(out)
    assert (body["printers_asked"], body["printers_usable"], body["by_reason"]) == (MANY, MANY, {})
    assert [one["channels"][0]["value"] for one in body["printers"]] == list(range(1, MANY + 1))
    assert [one["printer"] for one in body["printers"]] == places(fleet)


def test_the_dead_beside_the_good_are_lines_of_their_own_and_the_status_says_so(
    fleet: Fleet, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in list(fleet.printers)[:20]:
        fleet.printers[name].silent = True
    with closing(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as gone:
        gone.bind(("127.0.0.1", 0))
        refused = f"127.0.0.1:{gone.getsockname()[1]}"
    begun_s = time.monotonic()
    assert status_of(["read", *places(fleet), refused, "--timeout", "2"]) == 1
    # One after the other, the silent ones alone would take 40 s.
    assert time.monotonic() - begun_s < 20
    lines = capsys.readouterr().out.splitlines()
    assert lines[-1] == f"{MANY + 1} printers: {MANY - 20} can be used, 21 can't (20 timeout, 1 refused)."
    assert sum(line.startswith("  127.0.0.1:") for line in lines) == MANY + 1
    assert [line for line in lines if line.startswith(f"  {refused}")] != []


def test_the_registry_is_read_under_its_names_and_misuse_is_told(
    fleet: Fleet, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "pagereeve.toml"
    (tmp_path / "community").write_text("public")
    entries = [
        f'[[printers]]\nname = "{name}"\nhost = "{host}"\nport = {port}\ncommunity_file = "community"\n'
        for name, (host, port) in list(fleet.addresses().items())[:3]
    ]
    config.write_text("\n".join(entries))
    asked = ["read", "--all", "--config", str(config)]
    assert status_of(asked) == 0
    out = capsys.readouterr().out
    assert "fleet-0002" in out
    assert out.endswith("3 printers: 3 can be used, 0 can't.\n")
    # What the command line gives wins over the entry.
    (tmp_path / "other").write_text("other")
    assert status_of([*asked, "--community-file", str(tmp_path / "other"), "--timeout", "0.5"]) == 1
    (tmp_path / "community").unlink()
    assert status_of(asked) == 2
    assert "its secrets" in capsys.readouterr().err
    for misuse in (["--all", "h:1"], ["--all", "--from", "x"], ["--from", str(tmp_path / "absent")]):
        assert status_of(["read", *misuse, "--config", str(config)]) == 2


def test_progress_is_shown_at_a_terminal_and_nowhere_else(fleet: Fleet) -> None:
    master, slave = pty.openpty()
    program = str(Path(sys.executable).with_name("pagereeve"))
    done = subprocess.run(
        [program, "read", *places(fleet)[:5]], stdout=subprocess.PIPE, stderr=slave, timeout=60, check=True
    )
    os.close(slave)
    drawn = os.read(master, 65_536)
    os.close(master)
    assert b"5/5" in drawn
    assert b"5/5" not in done.stdout
