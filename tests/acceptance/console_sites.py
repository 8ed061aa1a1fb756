"""Installations whose pages a browser looks at: each a process of its own, ended with its test."""

from __future__ import annotations

import asyncio
import io
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeVar
from unittest.mock import patch

import httpx2

from pagereeve.app.clocks import SystemClock
from pagereeve.cli import status_of
from pagereeve.store.sqlite.files import JOURNAL_NAME
from pagereeve.store.sqlite.journal import SqlJournal
from tests.acceptance.process import CODE, a_free_port
from tests.closed_month import close_december, fill_december
from tests.signing_in import PASSWORD

Value = TypeVar("Value")
DAY_S: Final = 42
START_S: Final = 100.0
DAY_LONGEST_S: Final = 150.0
END_S: Final = 30.0
LOOK_S: Final = 0.1
# The daemon looks for new credentials every two seconds.
KNOWN_S: Final = 2.5
_ADDRESS: Final = re.compile(r"The daemon answers on (http://[0-9.]+:[0-9]+)/")
_CONFIG: Final = re.compile(r"check-config (\S+)$", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class ConsoleSite:
    """``log`` is where its process writes; ``config`` its settings file."""

    address: str
    config: Path
    log: Path

    def asked(self, path: str, **more: Any) -> Any:
        """What the API answers."""
        answer = httpx2.get(f"{self.address}{path}", timeout=30.0, **more)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def post(self, event: Mapping[str, Any]) -> None:
        """An event as a release server of this machine sends it."""
        headers = {"Content-Type": "application/cloudevents+json"}
        answer = httpx2.post(f"{self.address}/v1/events", json=event, headers=headers, timeout=30.0)
        assert answer.status_code in {200, 202, 204}, answer.text

    def command(self, *words: str, typed: str = "") -> None:
        """A command of this installation, in a thread of its own: Playwright's loop runs in this one."""
        typed_in = io.TextIOWrapper(io.BytesIO(typed.encode()))
        with ThreadPoolExecutor(1) as thread, patch("sys.stdin", typed_in), redirect_stdout(io.StringIO()) as out:
            status = thread.submit(status_of, [*words, "--config", str(self.config)]).result()
        assert status == 0, out.getvalue()

    def add_accounts(self, roles: Mapping[str, Sequence[str]]) -> None:
        """Each with PASSWORD and its acts; the daemon knows them after that."""
        for name, acts in roles.items():
            options = [word for act in acts for word in ("--act", act)]
            self.command("credentials", "add", name, *options, "--password", typed=f"{PASSWORD}\n")
        time.sleep(KNOWN_S)

    def add_person(self, name: str, subject: str, act: str) -> None:
        """Who signs in at the provider of the settings; the daemon knows that after it."""
        self.command("credentials", "add", name, "--act", act, "--oidc", subject)
        time.sleep(KNOWN_S)


@dataclass
class DemoSite:
    """The demo, from its first second; ``whole`` waits for the end of its day."""

    process: subprocess.Popen[bytes]
    log: Path

    def whole(self) -> ConsoleSite:
        text = until(lambda: self._said(_CONFIG), self.process, self.log, DAY_LONGEST_S)
        return ConsoleSite(text[0], Path(text[1]), self.log)

    def _said(self, last: re.Pattern[str]) -> tuple[str, str] | None:
        text = self.log.read_text(encoding="utf-8")
        address, config = _ADDRESS.search(text), last.search(text)
        return None if address is None or config is None else (address[1], config[1])


def until(look: Callable[[], Value | None], process: subprocess.Popen[bytes], log: Path, within_s: float) -> Value:
    """The first value that is not None; fails with the log where the process ends, or the time is over."""
    deadline = time.monotonic() + within_s
    while (found := look()) is None:
        if process.poll() is not None or time.monotonic() > deadline:
            raise AssertionError(f"it did not come up:\n{log.read_text(errors='replace')[-4000:]}")
        time.sleep(LOOK_S)
    return found


@contextmanager
def _running(options: Sequence[str], log: Path, environment: Mapping[str, str]) -> Iterator[subprocess.Popen[bytes]]:
    """Ended by its own id, and with it what it began."""
    with log.open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-c", CODE, *options],
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=subprocess.STDOUT,
            env=environment,
            start_new_session=True,
        )
    try:
        yield process
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(END_S)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()


@contextmanager
def demo_site(folder: Path, *options: str, day_s: float = DAY_S) -> Iterator[DemoSite]:
    """Plays its day while others go on; its own folder is made in ``folder``."""
    log = folder / "demo.log"
    argv = ("demo", "--keep", "--length", str(day_s), *options)
    with _running(argv, log, {**os.environ, "TMPDIR": str(folder), "COLUMNS": "400"}) as process:
        yield DemoSite(process, log)


@contextmanager
def plain_site(folder: Path, more: str = "") -> Iterator[ConsoleSite]:
    """``pagereeve run`` over the journal that lies in ``folder``, or over none yet; it knows no printer."""
    port, config = a_free_port(), folder / "pagereeve.toml"
    config.write_text(f'data_dir = "{folder}"\n{more}[http]\nlisten = "127.0.0.1:{port}"\n', encoding="utf-8")
    with running_site(config, port) as site:
        yield site


@contextmanager
def running_site(config: Path, port: int) -> Iterator[ConsoleSite]:
    """``pagereeve run`` with the settings that are there."""
    log = config.parent / "daemon.log"
    site = ConsoleSite(f"http://127.0.0.1:{port}", config, log)
    with _running(("run", "--config", str(config)), log, os.environ) as process:
        until(lambda: _answers(site), process, log, START_S)
        yield site


def _answers(site: ConsoleSite) -> bool | None:
    try:
        return httpx2.get(f"{site.address}/healthz", timeout=5.0).status_code == 200 or None
    except httpx2.TransportError:
        return None


@contextmanager
def closed_site(folder: Path) -> Iterator[ConsoleSite]:
    """Whose December 2025 is closed, and belongs to somebody whose name is a script."""
    with ThreadPoolExecutor(1) as thread:
        thread.submit(lambda: asyncio.run(_december(folder / JOURNAL_NAME))).result()
    with plain_site(folder) as site:
        yield site


async def _december(journal: Path) -> None:
    kept = await SqlJournal.open(journal, SystemClock())
    try:
        await fill_december(kept)
        await close_december(kept)
    finally:
        await kept.close()
