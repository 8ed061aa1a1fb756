"""pagereeve printers check: the cutover list of a site, against simulated printers on real sockets."""

from __future__ import annotations

import asyncio
import csv
import io
import json
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any, Self

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.cli import status_of
from pagereeve.domain.facts.facts import Origin, PrinterNoted
from pagereeve.domain.values.instants import from_text
from pagereeve.simulator.college.fleet import Fleet
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal

MANY = 40
PROVEN = "2026-11-20T10:00:00.000000Z"


async def _accept(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """As a print port does to whom nothing is sent: it waits until the other side leaves."""
    await reader.read()
    writer.close()


class Site:
    def __init__(self, folder: Path) -> None:
        self.folder, self.config = folder, folder / "pagereeve.toml"
        self.fleet, self.print_port = Fleet(MANY, SystemClock()), 0
        self._loop, self._until, self._ready = asyncio.new_event_loop(), asyncio.Event(), threading.Event()
        self._thread = threading.Thread(target=self._loop.run_until_complete, args=(self._serve(),))

    async def _serve(self) -> None:
        await self.fleet.start()
        server = await asyncio.start_server(_accept, "127.0.0.1", 0)
        self.print_port = server.sockets[0].getsockname()[1]
        self._ready.set()
        await self._until.wait()
        server.close()
        await self.fleet.stop()

    def __enter__(self) -> Self:
        self._thread.start()
        assert self._ready.wait(20)
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._until.set)
        self._thread.join(20)
        self._loop.close()

    def write(self, changes: dict[str, dict[str, Any]] | None = None, *, unit: bool = True) -> None:
        """Half of the printers behind each of two gateways."""
        entries = []
        for nth, (name, (host, port)) in enumerate(self.fleet.addresses().items()):
            entry: dict[str, Any] = {"name": name, "host": host, "port": port, "print_port": self.print_port}
            entry |= {"gateway": "north" if nth % 2 else "south", **({"unit": "impressions"} if unit else {})}
            entry |= (changes or {}).get(name, {})
            entries.append("[[printers]]\n" + "".join(f"{key} = {json.dumps(value)}\n" for key, value in entry.items()))
        gateways = (
            '[[gateways]]\nname = "north"\nhost = "127.0.0.1"\n[[gateways]]\nname = "south"\nhost = "localhost"\n'
        )
        self.config.write_text(f'data_dir = "{self.folder}"\n{gateways}{"".join(entries)}')

    def check(self, *options: str) -> int:
        return status_of(["printers", "check", *options, "--config", str(self.config)])


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with Site(tmp_path) as one:
        yield one


def unused_port() -> int:
    with closing(socket.socket()) as once:
        once.bind(("127.0.0.1", 0))
        return int(once.getsockname()[1])


def test_a_site_that_is_ready_says_so_in_seconds(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    site.write()
    begun_s = time.monotonic()
    assert site.check() == 0
    # A peek at each print port takes half a second: one after the other they alone would take 20 s.
    assert time.monotonic() - begun_s < 15
    told = capsys.readouterr().out
    assert told.splitlines()[0] == f"{MANY} printers: {MANY} ready, 0 ready but for a proof, 0 not ready."
    assert "gateway north: 20 of 20 ready" in told
    assert "gateway south: 20 of 20 ready" in told


def test_what_each_lacks_is_said_with_what_to_do_and_the_summary_first(
    site: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    closed = unused_port()
    site.fleet.printers["fleet-0002"].silent = True
    changes: dict[str, dict[str, Any]] = {
        "fleet-0004": {"print_port": closed},
        "fleet-0006": {"host": "127.0.0.2"},
        "fleet-0008": {"host": "nowhere.invalid"},
        "fleet-0010": {"web_port": closed},
    }
    site.write(changes)
    assert site.check("--timeout", "2") == 1
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == f"{MANY} printers: {MANY - 5} ready, 0 ready but for a proof, 5 not ready."
    assert "name 1" in lines[1]
    assert lines[2].startswith("gateway north: 15 of 20 ready")
    site.check("--json", "--timeout", "2", *changes, "fleet-0002", "fleet-0001")
    found = {one["printer"]: one for one in json.loads(capsys.readouterr().out)["printers"]}
    parts = {name: [lack["part"] for lack in one["lacks"]] for name, one in found.items()}
    assert parts["fleet-0001"] == []
    assert parts["fleet-0002"] == ["meter"]
    assert parts["fleet-0004"] == ["print port"]
    assert parts["fleet-0006"][0] == "gateway"
    assert parts["fleet-0008"] == ["name"]
    assert parts["fleet-0010"] == ["web port"]
    assert found["fleet-0004"]["print_port"]["reach"] == "refused"
    assert all(lack["do"] for one in found.values() for lack in one["lacks"])


def test_who_was_proven_and_when(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    async def prove() -> None:
        async with await SqlJournal.open(site.folder / JOURNAL_NAME, SystemClock()) as journal:
            at_us = from_text(PROVEN, "at")
            for name, note in (("fleet-0001", "proven"), ("fleet-0002", "test-pages")):
                origin = Origin("urn:test", f"{name}-1", at_us, at_us)
                await journal.append(PrinterNoted(name, origin, note))  # type: ignore[arg-type] # from a list

    asyncio.run(prove())
    site.write({"fleet-0003": {"unit": "sheets", "unit_grade": "inferred-from-model"}}, unit=False)
    assert site.check("--format", "csv", "fleet-0001", "fleet-0002", "fleet-0003") == 1
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [(one["printer"], one["proven"], one["standing"]) for one in rows] == [
        ("fleet-0001", PROVEN[:10], "ready"),
        ("fleet-0002", "never", "never proven"),
        ("fleet-0003", "of its model", "ready"),
    ]
    assert "pagereeve prove" not in rows[0]["lacks"]


def test_only_what_is_asked_for_is_looked_at(site: Site, capsys: pytest.CaptureFixture[str]) -> None:
    site.write()
    assert site.check("--gateway", "north", "--json") == 0
    assert json.loads(capsys.readouterr().out)["printers_asked"] == MANY // 2
    assert site.check("fleet-001", "--gateway", "noth") == 2
    told = capsys.readouterr().err
    assert "fleet-001: is no printer of [[printers]]; did you mean 'fleet-0" in told
    assert "noth: is no gateway of [[gateways]]; did you mean 'north'?" in told
