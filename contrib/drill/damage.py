"""What befalls the journal's files, kind by kind: notices are posted, a file is damaged, the daemon starts again.

Each trial posts 120 notices to a daemon of its own, in its own process, and counts how many were acknowledged and are
not in the journal afterwards. That must be none, or the start refused.

    python contrib/drill/damage.py                # every kind once, and a bit flipped at 40 places
    python contrib/drill/damage.py --flips 400
    python contrib/drill/damage.py --kinds moved,deleted
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import shutil
import signal
import socket
import sqlite3
import sys
import tempfile
import time
from collections.abc import Awaitable, Callable
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import httpx2

from pagereeve.domain.facts.facts import FactDamaged, ReleaseStarted
from pagereeve.store.records.body_forms import unpacked_body
from pagereeve.store.sqlite.files import JOURNAL_NAME, wal_path
from pagereeve.store.sqlite.reads import SqlReads

POSTED = 120
NOTICED_WITHIN_S = 1.0
AT_ONCE = 16
COMMAND = "import sys; from pagereeve.cli import main; sys.argv[0] = 'pagereeve'; main()"
CONFIG = """
data_dir = "{folder}"
[http]
listen = "127.0.0.1:{port}"
[log]
level = "error"
[[printers]]
name = "hall"
host = "127.0.0.1"
port = {meter}
"""


# A socket is no file that can be copied; the daemon makes its own.
NO_SOCKET: Final = shutil.ignore_patterns("*.sock")


@dataclass
class Outcome:
    """``lost`` are those acknowledged that the journal lacks at the end, or after any start that was not refused.
    ``refused`` is what a refused start said.

    ``meanwhile`` were acknowledged while the damage lasted, ``noticed_s`` is when /readyz first said so.
    """

    kind: str
    acknowledged: int = 0
    meanwhile: int = 0
    lost: int = 0
    refused: str = ""
    noticed_s: float | None = None
    causes: set[str] = field(default_factory=set)
    notes: list[str] = field(default_factory=list)

    @property
    def holds(self) -> bool:
        noticed = self.noticed_s is None or self.noticed_s <= NOTICED_WITHIN_S
        return self.lost == 0 and self.meanwhile == 0 and noticed

    def __str__(self) -> str:
        noticed = "" if self.noticed_s is None else f"not ready after {self.noticed_s:.2f} s; "
        start = "start refused" if self.refused else "started"
        more = f"; {'; '.join(self.notes)}" if self.notes else ""
        return (
            f"{self.kind:22} {self.acknowledged:4} acknowledged, {self.meanwhile} meanwhile, {self.lost} lost; "
            f"{noticed}{start}{more}"
        )


def a_free_port(kind: socket.SocketKind) -> int:
    with socket.socket(type=kind) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class Trial:
    """A daemon with a data folder of its own; nothing answers at its printer's address."""

    root: Path
    outcome: Outcome
    acknowledged: set[str] = field(default_factory=set)
    sent: int = 0
    process: asyncio.subprocess.Process | None = None
    port: int = field(default_factory=lambda: a_free_port(socket.SOCK_STREAM))

    def __post_init__(self) -> None:
        text = CONFIG.format(folder=self.folder, port=self.port, meter=a_free_port(socket.SOCK_DGRAM))
        self.config.write_text(text)

    @property
    def config(self) -> Path:
        return self.root / "pagereeve.toml"

    @property
    def folder(self) -> Path:
        return self.root / "data"

    @property
    def journal(self) -> Path:
        return self.folder / JOURNAL_NAME

    async def start(self, *options: str) -> str:
        """Empty once it is ready; what it said where it refused to start."""
        self.process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-c", COMMAND, "run", *options, "--config", str(self.config)),
            stdin=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.PIPE,
        )
        async with asyncio.timeout(30), httpx2.AsyncClient() as client:
            while self.process.returncode is None:
                if await self.not_ready(client) == {}:
                    return ""
                await asyncio.sleep(0.05)
            _, said = await self.process.communicate()
        if self.process.returncode != 2:
            raise RuntimeError(f"the daemon ended by {self.process.returncode}: {said.decode()}")
        return said.decode().strip()

    async def begin(self) -> None:
        said = await self.start()
        if said:
            raise RuntimeError(f"the start was refused: {said}")

    async def not_ready(self, client: httpx2.AsyncClient) -> dict[str, str] | None:
        """None where nobody answers."""
        try:
            answer = await client.get(f"http://127.0.0.1:{self.port}/readyz")
        except httpx2.TransportError:
            return None
        waiting: dict[str, str] = answer.json()["not_ready"]
        return waiting

    async def ready_again(self) -> None:
        async with httpx2.AsyncClient() as client:
            for _ in range(200):
                if await self.not_ready(client) == {}:
                    return
                await asyncio.sleep(0.05)
        raise RuntimeError("it does not become ready again")

    async def end(self, number: signal.Signals) -> None:
        if self.process is not None and self.process.returncode is None:
            os.kill(self.process.pid, number)
            async with asyncio.timeout(30):
                await self.process.communicate()

    async def post(self, count: int) -> int:
        """How many of so many new notices were acknowledged."""
        names = [f"r{self.sent + nth:04d}" for nth in range(count)]
        self.sent += count
        before = len(self.acknowledged)
        places = asyncio.Semaphore(AT_ONCE)
        async with httpx2.AsyncClient(timeout=10.0) as client:

            async def one(name: str) -> None:
                async with places:
                    await self._post_one(client, name)

            await asyncio.gather(*map(one, names))
        return len(self.acknowledged) - before

    async def _post_one(self, client: httpx2.AsyncClient, name: str) -> None:
        data = {"release": name, "job": f"job-{name}", "owner": "user-anise", "printer": "hall", "ticket": {"pages": 1}}
        event: dict[str, Any] = {"specversion": "1.0", "id": name, "source": "/drill", "data": data}
        event["type"] = "pagereeve.release.started.v1"
        answer = await client.post(
            f"http://127.0.0.1:{self.port}/v1/events",
            content=json.dumps(event),
            headers={"Content-Type": "application/cloudevents+json"},
        )
        if answer.status_code == 200:
            self.acknowledged.add(name)
        elif answer.status_code == 503:
            self.outcome.causes.add(answer.json().get("cause", ""))
        else:
            raise RuntimeError(f"{name}: {answer.status_code} {answer.text}")

    async def befall(self, damage: Callable[[], object]) -> None:
        """Damage under the running daemon: when is it noticed, and is anything acknowledged meanwhile?"""
        damage()
        began_s = time.monotonic()
        async with httpx2.AsyncClient() as client:
            while "journal" not in (await self.not_ready(client) or {}):
                if time.monotonic() - began_s > 10:
                    raise RuntimeError("it was never noticed")
                await asyncio.sleep(0.02)
        self.outcome.noticed_s = time.monotonic() - began_s
        self.outcome.meanwhile = await self.post(POSTED)
        if self.outcome.causes != {"files-gone"}:
            self.outcome.notes.append(f"causes {sorted(self.outcome.causes)}")
        if self.outcome.meanwhile == 0 and self.journal.exists() and self.journal.stat().st_size == 0:
            self.outcome.notes.append("an empty journal lies there")

    async def stored(self) -> tuple[set[str], int]:
        """The releases in the journal, and how many of its facts are damaged."""
        async with await SqlReads.open_for_reading(self.journal) as reads:
            facts = [fact async for fact in reads.all_facts()]
        damaged = sum(isinstance(fact, FactDamaged) for fact in facts)
        return {fact.release for fact in facts if isinstance(fact, ReleaseStarted)}, damaged

    async def count_lost(self, *, set_aside: int = 0) -> None:
        stored, damaged = await self.stored()
        self.outcome.acknowledged = len(self.acknowledged)
        self.outcome.lost = max(self.outcome.lost, len(self.acknowledged - stored) - min(damaged, set_aside))

    async def restart_refused(self) -> None:
        self.outcome.refused = await self.start()
        if not self.outcome.refused:
            await self.end(signal.SIGTERM)
            await self.count_lost()

    async def goes_on(self, option: str) -> None:
        """What was refused is begun with a person's word for it, in a copy of the folder."""
        kept = self.root / "kept"
        shutil.copytree(self.folder, kept, ignore=NO_SOCKET)
        said = await self.start(option)
        if said:
            raise RuntimeError(f"{option}: {said}")
        await self.end(signal.SIGTERM)
        shutil.rmtree(self.folder)
        kept.rename(self.folder)

    async def restart_whole(self) -> None:
        """All files are back: the daemon starts, and nothing is lost."""
        await self.begin()
        await self.post(10)
        await self.end(signal.SIGTERM)
        await self.count_lost()


async def under_way(trial: Trial, damage: Callable[[], object], mend: Callable[[], object]) -> None:
    """Damaged while it runs; a start in that state; then all is put back."""
    await trial.begin()
    await trial.post(POSTED)
    await trial.befall(damage)
    await trial.end(signal.SIGKILL)
    await trial.restart_refused()
    mend()
    await trial.restart_whole()


async def moved(trial: Trial) -> None:
    away = trial.folder / "away"
    await under_way(trial, lambda: trial.journal.rename(away), lambda: away.rename(trial.journal))


async def moved_and_back(trial: Trial) -> None:
    """Put back under the running daemon: it goes on without a restart."""
    away = trial.folder / "away"
    await trial.begin()
    await trial.post(POSTED)
    await trial.befall(lambda: trial.journal.rename(away))
    away.rename(trial.journal)
    await trial.ready_again()
    if await trial.post(10) != 10:
        raise RuntimeError("it does not go on")
    await trial.end(signal.SIGTERM)
    await trial.count_lost()


async def deleted(trial: Trial) -> None:
    """The open descriptors are the last copy: they are saved before the daemon ends, as the README says."""
    saved = trial.root / "saved"
    saved.mkdir()

    def rescue() -> None:
        if trial.process is None:
            raise RuntimeError("no daemon runs")
        for link in Path(f"/proc/{trial.process.pid}/fd").iterdir():
            try:
                name = str(link.readlink())
            except FileNotFoundError:
                # A connection that ended meanwhile: the journal's own stay open.
                continue
            if name.startswith((str(trial.journal), str(wal_path(trial.journal)))) and "-shm" not in name:
                shutil.copy(link, saved / Path(name.removesuffix(" (deleted)")).name)

    await trial.begin()
    await trial.post(POSTED)
    await trial.befall(trial.journal.unlink)
    rescue()
    await trial.end(signal.SIGKILL)
    await trial.restart_refused()
    for one in saved.iterdir():
        shutil.copy(one, trial.folder / one.name)
    await trial.restart_whole()


async def replaced(trial: Trial) -> None:
    away, other = trial.folder / "away", trial.root / "other.sqlite"

    def replace() -> None:
        trial.journal.rename(away)
        shutil.copy(other, trial.journal)

    await trial.begin()
    await trial.end(signal.SIGTERM)
    shutil.copy(trial.journal, other)
    await under_way(trial, replace, lambda: away.replace(trial.journal))


async def folder_renamed(trial: Trial) -> None:
    """Back under its name, the daemon goes on. (A start in that state finds nothing that tells of a journal.)"""
    away = trial.root / "away"
    await trial.begin()
    await trial.post(POSTED)
    await trial.befall(lambda: trial.folder.rename(away))
    away.rename(trial.folder)
    await trial.ready_again()
    await trial.end(signal.SIGKILL)
    await trial.restart_whole()


async def after_kill(trial: Trial, damage: Callable[[], object], mend: Callable[[], object]) -> None:
    await trial.begin()
    await trial.post(POSTED)
    await trial.end(signal.SIGKILL)
    damage()
    await trial.restart_refused()
    mend()
    await trial.restart_whole()


async def wal_removed(trial: Trial) -> None:
    wal, away = wal_path(trial.journal), trial.root / "wal"
    await after_kill(trial, lambda: wal.rename(away), lambda: away.rename(wal))


async def wal_bit_flipped(trial: Trial, flips: int = 1) -> None:
    """At places spread over the file. Each start is refused, or finds everything."""
    await trial.begin()
    await trial.post(POSTED)
    await trial.end(signal.SIGKILL)
    killed = trial.root / "killed"
    shutil.copytree(trial.folder, killed, ignore=NO_SOCKET)
    content = wal_path(trial.journal).read_bytes()
    refused = 0
    for nth in range(flips):
        shutil.rmtree(trial.folder)
        shutil.copytree(killed, trial.folder, ignore=NO_SOCKET)
        place = len(content) // 4 if flips == 1 else nth * len(content) // flips
        damaged = bytearray(content)
        damaged[place] ^= 1 << (nth % 8)
        wal_path(trial.journal).write_bytes(damaged)
        await trial.restart_refused()
        refused += bool(trial.outcome.refused)
        if trial.outcome.lost:
            trial.outcome.notes.append(f"the bit at {place}")
            return
    trial.outcome.notes.append(f"{refused} of {flips} starts refused")
    shutil.rmtree(trial.folder)
    shutil.copytree(killed, trial.folder, ignore=NO_SOCKET)
    await trial.restart_whole()


async def older_copy(trial: Trial) -> None:
    copy, newest = trial.root / "copy", trial.root / "newest"
    await trial.begin()
    await trial.post(POSTED // 3)
    await trial.end(signal.SIGTERM)
    shutil.copy(trial.journal, copy)
    await trial.begin()
    await trial.post(POSTED - POSTED // 3)
    await trial.end(signal.SIGTERM)
    shutil.copy(trial.journal, newest)
    shutil.copy(copy, trial.journal)
    await trial.restart_refused()
    await trial.goes_on("--accept-loss")
    shutil.copy(newest, trial.journal)
    await trial.restart_whole()


async def row_edited(trial: Trial) -> None:
    """One row is set aside and named; nothing else is lost, and the daemon goes on."""
    await trial.begin()
    await trial.post(POSTED)
    await trial.end(signal.SIGTERM)
    with closing(sqlite3.connect(trial.journal)) as connection, connection:
        connection.create_function("fact_text", 1, unpacked_body)
        connection.execute("DROP TRIGGER fact_no_update")
        connection.execute("UPDATE fact SET body = replace(fact_text(body), 'anise', 'basil') WHERE release = 'r0060'")
    said = await trial.start()
    if said or await trial.post(10) != 10:
        raise RuntimeError(f"it does not go on: {said}")
    await trial.end(signal.SIGTERM)
    await trial.count_lost(set_aside=1)
    _, damaged = await trial.stored()
    trial.outcome.notes.append(f"{damaged} row set aside")
    if damaged != 1 or await status_of("facts", trial) != 1 or await status_of("replay", trial) != 1:
        trial.outcome.notes.append("not named")
        trial.outcome.lost += 1


async def status_of(command: str, trial: Trial) -> int:
    options = ["--check"] if command == "replay" else []
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-c", COMMAND, command, *options, "--config", str(trial.config)),
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
    )
    return await process.wait()


async def journal_missing(trial: Trial) -> None:
    """Only the key of the badges is left: even so, nobody begins an empty journal in silence."""
    away = trial.root / "away"

    def lose() -> None:
        trial.folder.rename(away)
        trial.folder.mkdir()
        shutil.copy(away / "badge.key", trial.folder)

    await trial.begin()
    await trial.post(POSTED)
    await trial.end(signal.SIGKILL)
    lose()
    await trial.restart_refused()
    await trial.goes_on("--new")
    shutil.rmtree(trial.folder)
    away.rename(trial.folder)
    await trial.restart_whole()


FLIPPED = "wal bit flipped"
KINDS: dict[str, Callable[[Trial], Awaitable[None]]] = {
    "moved": moved,
    "moved and put back": moved_and_back,
    "deleted": deleted,
    "replaced": replaced,
    "folder renamed": folder_renamed,
    "wal removed": wal_removed,
    FLIPPED: wal_bit_flipped,
    "older copy": older_copy,
    "row edited": row_edited,
    "journal missing": journal_missing,
}
MUST_BE_REFUSED = {"moved", "deleted", "replaced", "wal removed", FLIPPED, "older copy", "journal missing"}
"""What a start finds in the state that the damage leaves."""


async def tried(kind: str, root: Path, flips: int = 1) -> Outcome:
    trial = Trial(root, Outcome(kind))
    try:
        if kind == FLIPPED:
            await wal_bit_flipped(trial, flips)
        else:
            await KINDS[kind](trial)
    finally:
        await trial.end(signal.SIGKILL)
    return trial.outcome


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kinds", default=",".join(KINDS))
    parser.add_argument("--flips", type=int, default=40)
    args = parser.parse_args()
    failed = 0
    for kind in args.kinds.split(","):
        name = kind.strip()
        with tempfile.TemporaryDirectory() as root:
            outcome = asyncio.run(tried(name, Path(root), args.flips))
        must = name in MUST_BE_REFUSED and not (name == FLIPPED and args.flips > 1)
        good = outcome.holds and (bool(outcome.refused) or not must)
        failed += not good
        print(f"{outcome}{'' if good else '  FAILED'}", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
