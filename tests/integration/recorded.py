"""Recorded printers served by snmpsim on loopback: the project's own facts, and the recordings that lie beside it."""

from __future__ import annotations

import csv
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from pagereeve.meters.snmp.ber import INTEGER, NULL, OBJECT_ID, OCTET_STRING, oid_arcs, oid_bytes, oid_label
from tests.integration.foreign import free_port, tool
from tests.snmp_agents import Mib

RECORDED_WALKS = Path(__file__).resolve().parents[3] / "shared" / "walks"
START_S = 60.0


@dataclass(frozen=True)
class Recording:
    """``counts`` is what the recording's own project says of it, by channel; empty where it says nothing."""

    name: str
    counts: dict[str, int]


def recordings() -> list[Recording]:
    """Every recording of the folder beside the checkout; none where there is no such folder."""
    index = RECORDED_WALKS / "INDEX.csv"
    if not index.exists():
        return []
    channels = ("total", "mono", "colour", "duplex")
    with index.open(newline="") as file:
        return [
            Recording(
                row["file"].removesuffix(".snmprec"),
                {channel: int(row[f"expected_{channel}"]) for channel in channels if row[f"expected_{channel}"]},
            )
            for row in csv.DictReader(file)
        ]


def record_of(mib: Mib) -> str:
    """Facts in snmpsim's own form: OID, tag and value, in the order of the OIDs."""
    rows = sorted(mib.items(), key=lambda row: oid_arcs(oid_bytes(row[0])))
    return "".join(f"{dotted}|{_value(tag, content)}\n" for dotted, (tag, content) in rows)


def _value(tag: int, content: bytes) -> str:
    if tag == OCTET_STRING:
        return f"4x|{content.hex()}"
    if tag == OBJECT_ID:
        return f"6|{oid_label(content)}"
    if tag == NULL:
        return "5|"
    return f"{tag}|{int.from_bytes(content, 'big', signed=tag == INTEGER)}"


@contextmanager
def snmpsim(folder: Path, scratch: Path) -> Iterator[int]:
    """The port of a responder that serves each file of ``folder`` under its name as community."""
    port = free_port()
    program = Path(sys.executable).with_name("snmpsim-command-responder")
    scratch.mkdir(parents=True, exist_ok=True)
    command = [str(program), f"--data-dir={folder}", f"--cache-dir={scratch / 'cache'}", "--logging-method=null"]
    command.append(f"--agent-udpv4-endpoint=127.0.0.1:{port}")
    environment = os.environ | {"SNMPSIM_ALLOW_ROOT": "true", "HOME": str(scratch), "TMPDIR": str(scratch)}
    process = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        _wait_for(port, min(folder.glob("*.snmprec")).stem, process)
        yield port
    finally:
        process.terminate()
        process.wait(10)


def _wait_for(port: int, community: str, process: subprocess.Popen[bytes]) -> None:
    until = time.monotonic() + START_S
    while time.monotonic() < until and process.poll() is None:
        if got(port, community, "1.3.6.1", command="snmpgetnext"):
            return
        time.sleep(0.2)
    raise AssertionError("snmpsim did not come up")


def got(port: int, community: str, *oids: str, command: str = "snmpget", version: str = "2c") -> list[str]:
    """What net-snmp's own tool reads: values without types, as numbers where they are numbers."""
    arguments = [tool(command, "snmp"), f"-v{version}", "-c", community, "-t", "1", "-r", "3", "-m", "", "-Oqvx"]
    done = subprocess.run(
        [*arguments, f"127.0.0.1:{port}", *oids], capture_output=True, text=True, timeout=30, check=False
    )
    return done.stdout.splitlines() if done.returncode == 0 else []
