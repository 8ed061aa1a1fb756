"""Debian's snmpd as a foreign agent: a printer whose objects stand in a file that the test rewrites, or a mere box."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import pytest

COMMUNITY = "testread"
START_S = 10.0

# Serves a subtree over net-snmp's pass_persist protocol (snmpd.conf(5)); reads the file anew for every request.
SERVER = """\
import sys
def key(oid):
    return tuple(int(part) for part in oid.strip().strip(".").split("."))
def rows():
    with open(sys.argv[1]) as lines:
        split = [line.rstrip("\\n").split(" ", 2) for line in lines if line.strip()]
    base = key(sys.argv[2])
    return sorted((key(oid), kind, value) for oid, kind, value in split if key(oid)[: len(base)] == base)
for line in sys.stdin:
    command = line.strip()
    if command == "PING":
        print("PONG", flush=True)
        continue
    if command not in ("get", "getnext"):
        print("not-writable", flush=True)
        continue
    asked = key(sys.stdin.readline())
    if command == "get":
        found = [row for row in rows() if row[0] == asked]
    else:
        found = [row for row in rows() if row[0] > asked]
    if not found:
        print("NONE", flush=True)
        continue
    oid, kind, value = found[0]
    print("." + ".".join(map(str, oid)), kind, value, sep="\\n", flush=True)
"""


def tool(command: str, package: str) -> str:
    """The path of a command; fails the test, naming the Debian package, where it is missing."""
    # Filters of CUPS are no commands that people type: some distributions keep them in the folder of its servers.
    folders = [os.environ.get("PATH", ""), "/usr/sbin", "/sbin", "/usr/lib/cups/command"]
    path = shutil.which(command, path=os.pathsep.join(folders))
    if path is None:
        pytest.fail(f"{command} is missing; this test needs it: apt-get install {package}", pytrace=False)
    return path


def free_port(host: str = "127.0.0.1") -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind((host, 0))
        return int(probe.getsockname()[1])


Spawn = Callable[[Sequence[str]], subprocess.Popen[bytes]]


def here(argv: Sequence[str]) -> subprocess.Popen[bytes]:
    return subprocess.Popen(argv, stdin=subprocess.DEVNULL)


@dataclass
class PrinterObjects:
    """The objects file of a printer with one marker; each change is one atomic replacement of the file."""

    path: Path
    count: int = 1000
    device: int = 1
    unit: int = 7
    status: int = 3
    serial: str = "PR-TEST-0001"

    def write(self, **changes: int | str) -> None:
        for name, value in changes.items():
            setattr(self, name, value)
        device = self.device
        lines = [
            f"1.3.6.1.2.1.25.3.2.1.2.{device} objectid .1.3.6.1.2.1.25.3.1.5",
            f"1.3.6.1.2.1.25.3.5.1.1.{device} integer {self.status}",
            f"1.3.6.1.2.1.25.3.5.1.2.{device} octet 00",
            f"1.3.6.1.2.1.43.5.1.1.1.{device} counter 3",
            f"1.3.6.1.2.1.43.5.1.1.17.{device} string {self.serial}",
            f"1.3.6.1.2.1.43.10.2.1.3.{device}.1 integer {self.unit}",
            f"1.3.6.1.2.1.43.10.2.1.4.{device}.1 counter {self.count}",
            f"1.3.6.1.2.1.43.10.2.1.5.{device}.1 counter 35",
        ]
        fresh = self.path.with_suffix(".new")
        fresh.write_text("\n".join(lines) + "\n")
        fresh.replace(self.path)


class Snmpd:
    """A foreground snmpd with configuration and state of its own, ended with the ``with`` block."""

    def __init__(
        self,
        folder: Path,
        *,
        object_id: str,
        listen: str,
        objects: PrinterObjects | None = None,
        spawn: Spawn = here,
        more: Sequence[str] = (),
    ) -> None:
        self._more = list(more)
        self._folder = folder
        self._object_id = object_id
        self._listen = listen
        self._objects = objects
        self._spawn = spawn
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        snmpd = tool("snmpd", "snmpd")
        self._folder.mkdir(parents=True, exist_ok=True)
        (self._folder / "snmpd.log").unlink(missing_ok=True)
        config = self._folder / "snmpd.conf"
        config.write_text("\n".join(self._config()) + "\n")
        # Its own host table would stand before the printer's.
        modules = ["-I", "-hr_device,hr_print,hr_disk,hr_network,hr_proc,hr_other"] if self._objects else []
        environment = [f"SNMP_PERSISTENT_DIR={self._folder / 'state'}", f"SNMPCONFPATH={self._folder / 'none'}"]
        log = ["-Lf", str(self._folder / "snmpd.log")]
        argv = ["env", *environment, snmpd, "-f", "-C", "-c", str(config), *log, *modules, f"udp:{self._listen}"]
        self._process = self._spawn(argv)
        self._wait_until_up()
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            self._process.terminate()
            try:
                self._process.wait(5)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait(5)

    def _config(self) -> list[str]:
        lines = [f"rocommunity {COMMUNITY}", f"sysobjectid .{self._object_id}", "sysservices 8", *self._more]
        if self._objects is not None:
            server = self._folder / "serve.py"
            server.write_text(SERVER)
            self._objects.write()
            command = f"{sys.executable} {server} {self._objects.path}"
            lines += [f"pass_persist .{base} {command} {base}" for base in ("1.3.6.1.2.1.25.3", "1.3.6.1.2.1.43")]
        return lines

    def _wait_until_up(self) -> None:
        process, log = self._process, self._folder / "snmpd.log"
        assert process is not None
        until = time.monotonic() + START_S
        while time.monotonic() < until:
            if process.poll() is not None:
                break
            if log.exists() and "NET-SNMP version" in log.read_text(errors="replace"):
                return
            time.sleep(0.02)
        text = log.read_text(errors="replace") if log.exists() else "(no log)"
        pytest.fail(f"snmpd did not start: {text}", pytrace=False)


def snmpget(address: str, oid: str, version: str = "2c") -> str:
    """What net-snmp's own client reads: the bare value."""
    argv = [tool("snmpget", "snmp"), f"-v{version}", "-c", COMMUNITY, "-Oqvn", "-m", "", "-t", "2", address, oid]
    return subprocess.run(argv, check=True, capture_output=True, text=True, timeout=20).stdout.strip()
