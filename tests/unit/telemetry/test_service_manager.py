"""sd_notify(3) over a real socket."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from pagereeve.telemetry.service_manager import ServiceManager


@pytest.mark.parametrize("abstract", [True, False])
def test_one_datagram_for_each_message(tmp_path: Path, abstract: bool) -> None:
    name = f"@pagereeve-test-{os.getpid()}" if abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind("\0" + name[1:] if abstract else name)
        manager = ServiceManager.of({"NOTIFY_SOCKET": name}, 7)
        manager.tell("READY=1", "STATUS=24 printers")
        manager.tell("WATCHDOG=1")
        assert [listener.recv(4096) for _ in range(2)] == [b"READY=1\nSTATUS=24 printers", b"WATCHDOG=1"]


def test_without_a_manager_nothing_is_told() -> None:
    ServiceManager.of({}, 7).tell("READY=1")


def test_a_manager_that_is_gone_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        ServiceManager(str(tmp_path / "nobody")).tell("READY=1")


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ({"WATCHDOG_USEC": "30000000"}, 30.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "7"}, 30.0),
        ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "8"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "-1"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({}, None),
    ],
)
def test_the_watchdog_is_meant_for_this_process_or_not(given: dict[str, str], expected: float | None) -> None:
    assert ServiceManager.of(given, 7).watchdog_s == expected
