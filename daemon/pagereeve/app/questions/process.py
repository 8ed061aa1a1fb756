"""A daemon's query process: started with the first question, started again when it ended, ended with the daemon."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Final

import structlog

from pagereeve.app.child_process import ended
from pagereeve.app.questions.told import Told
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.feeds.local.socket_file import SocketFile
from pagereeve.settings import Settings

RESTART_S: Final = 1.0
STOP_S: Final = 10.0
"""For what it was asked before it is ended."""

log = structlog.get_logger("pagereeve.questions")


class NoAnswers(PagereeveError):
    """Nobody can answer questions now."""


def socket_path_of(settings: Settings) -> Path:
    """Beside the local socket: a folder that the daemon may write to, and a name that is short enough."""
    local = settings.local_socket_path
    return local.with_name(f".{local.stem}-q")


class QueryProcess:
    """``settings`` gives those in force. It listens itself: while no process runs, whoever connects waits for one."""

    def __init__(self, settings: Callable[[], Settings]) -> None:
        self._settings = settings
        self._file: SocketFile | None = None
        self._process: asyncio.subprocess.Process | None = None
        self._starting = asyncio.Lock()
        self._started_s = float("-inf")
        self._ending: set[asyncio.Task[None]] = set()
        self._closed = False
        self.starts = 0

    @property
    def socket_path(self) -> Path:
        return socket_path_of(self._settings()) if self._file is None else self._file.path

    @property
    def pid(self) -> int | None:
        return None if self._process is None else self._process.pid

    async def require(self) -> None:
        """It runs, or was started just now. Raises NoAnswers where it can't be, or where it ended a moment ago."""
        if self.runs:
            return
        async with self._starting:
            if self.runs:
                return
            now_s = asyncio.get_running_loop().time()
            if self._closed or now_s - self._started_s < RESTART_S:
                raise NoAnswers("the query process has just ended; ask again in a moment")
            self._started_s = now_s
            await self._start()

    async def ended(self) -> None:
        """Until the process that runs now has ended; at once where none does."""
        process = self._process
        if process is not None:
            await process.wait()

    @property
    def runs(self) -> bool:
        return self._process is not None and self._process.returncode is None

    def renew(self) -> None:
        """Other settings are in force: the next question is answered by a new process, those under way by this one."""
        process, self._process = self._process, None
        self._started_s = float("-inf")
        if process is not None:
            task = asyncio.create_task(ended(process, STOP_S), name="query process ends")
            self._ending.add(task)
            task.add_done_callback(self._ending.discard)

    async def close(self) -> None:
        self._closed = True
        self.renew()
        await asyncio.gather(*self._ending, return_exceptions=True)
        if self._file is not None:
            self._file.remove()
            self._file.listening.close()

    async def _start(self) -> None:
        settings = self._settings()
        if self._process is not None:
            log.warning("the query process ended, and is started again", status=self._process.returncode)
        try:
            if self._file is None:
                self._file = SocketFile(socket_path_of(settings))
            told = Told.of(settings, self._file.listening.fileno())
            self._process = await asyncio.create_subprocess_exec(
                *(sys.executable, "-P", "-m", "pagereeve.app.questions.child"),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.DEVNULL,
                pass_fds=(told.descriptor,),
                env={**os.environ, "PYTHONUNBUFFERED": "1"},
            )
            await _tell(self._process, told)
        except (OSError, PagereeveError) as error:
            raise NoAnswers(f"the query process can't be started: {error}") from error
        self.starts += 1


async def _tell(process: asyncio.subprocess.Process, told: Told) -> None:
    """Its input stays open: the process lives as long."""
    assert process.stdin is not None  # noqa: S101 - a pipe was asked for
    process.stdin.write(told.to_bytes())
    await process.stdin.drain()
