"""Writes the journal of this checkout's schema revision, as a site that ran it would have it: `python keep.py FOLDER`.

Random days of tests/property/days.py at three printers, then some seconds of the daemon itself, with badges and with
a receiver of alerts that never answers, so that there is something of everything.
"""

from __future__ import annotations

import asyncio
import gzip
import json
import random
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from urllib.request import Request, urlopen

sys.path.insert(0, str(Path.cwd()))

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.facts.facts import PlateauRead, ReadFailed
from pagereeve.store.sqlite.journal import SqlJournal
from tests.property import days

PRINTERS = ("printer-a", "printer-b", "printer-c")
BEFORE_S = 3 * 3600
RUNS_S = 8.0
STARTS_MAX_S = 60.0
MAIN = "import sys; sys.argv[0] = 'pagereeve'; from pagereeve.cli import main; main()"
SETTINGS = """
data_dir = "{folder}/data"
[http]
listen = "127.0.0.1:{port}"
"""
PRINTER = """
[[printers]]
name = "{name}"
host = "127.0.0.1"
port = {port}
"""
ALERTS = """
[alerts]
hold = "1s"
[[alerts.webhooks]]
name = "desk"
url = "http://127.0.0.1:9/"
secret_file = "{folder}/secret"
"""


async def fill(path: Path) -> None:
    days.DAY_US = (int(time.time()) - BEFORE_S) * 1_000_000
    journal = await SqlJournal.open(path, SystemClock())
    for number, printer in enumerate(PRINTERS):
        await _day(journal, printer, seed=number + 11)
    await journal.close()


async def _day(journal: SqlJournal, printer: str, seed: int) -> None:
    for fact, current in days.make_day(seed, 30, channels=seed % 2 == 0, life=True).steps:
        mine = None if fact is None else replace(fact, printer=printer)
        if mine is not None and not isinstance(mine, PlateauRead | ReadFailed):
            origin = getattr(mine, "origin", None)
            if origin is not None:
                mine = replace(mine, origin=replace(origin, source=f"{origin.source}/{printer}"))
            await journal.append(mine)
        elif current is not None:
            await journal.observe(printer, [] if mine is None else [mine], replace(current, printer=printer))


def wait_until_it_listens(port: int) -> None:
    ends_s = time.monotonic() + STARTS_MAX_S
    while True:
        try:
            urlopen(f"http://127.0.0.1:{port}/healthz", timeout=10).close()
        except OSError:
            if time.monotonic() > ends_s:
                raise
            time.sleep(0.2)
        else:
            return


def swipe(port: int) -> None:
    """Some badges, which the daemon hashes with its key."""
    for number in range(5):
        data = {"badge": f"04A1B2C{number}", "gateway": "library-gw"}
        event = {"specversion": "1.0", "id": f"badge-{number}", "source": "/invented/reader", "data": data}
        event |= {"type": "pagereeve.badge.presented.v1"}
        kind = {"Content-Type": "application/cloudevents+json"}
        where = f"http://127.0.0.1:{port}/v1/events"
        urlopen(Request(where, json.dumps(event).encode(), kind), timeout=10).close()


def run(folder: Path, alerts: str) -> None:
    (folder / "secret").write_text("invented-secret-of-a-test\n")
    (folder / "secret").chmod(0o600)
    # Nobody answers at these ports: the printers are silent.
    printers = "".join(PRINTER.format(name=name, port=number + 1) for number, name in enumerate(PRINTERS))
    port = random.randrange(20_000, 30_000)
    text = SETTINGS.format(folder=folder, port=port) + printers
    text += alerts.format(folder=folder)
    (folder / "pagereeve.toml").write_text(text)
    daemon = subprocess.Popen([sys.executable, "-c", MAIN, "run", "--config", str(folder / "pagereeve.toml")])
    wait_until_it_listens(port)
    swipe(port)
    time.sleep(RUNS_S)
    daemon.send_signal(signal.SIGTERM)
    if daemon.wait(30) != 0:
        raise SystemExit("the daemon did not end well")


def keep(folder: Path, into: Path) -> None:
    facts = ["facts", "--data-dir", str(folder / "data"), "--out", str(folder / "facts.ndjson")]
    subprocess.run([sys.executable, "-c", MAIN, *facts], check=True)
    into.mkdir(parents=True)
    for file in [folder / "facts.ndjson", *(folder / "data").iterdir()]:
        if file.is_file() and file.suffix != ".lock":
            (into / f"{file.name}.gz").write_bytes(gzip.compress(file.read_bytes(), mtime=0))


if __name__ == "__main__":
    with TemporaryDirectory() as there:
        (Path(there) / "data").mkdir(mode=0o700)
        asyncio.run(fill(Path(there) / "data" / "journal.sqlite"))
        run(Path(there), ALERTS)
        keep(Path(there), Path(sys.argv[1]))
