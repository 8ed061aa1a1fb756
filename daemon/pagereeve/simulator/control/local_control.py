"""Asking for acts from another terminal: a local socket, one request and one answer a connection."""

from __future__ import annotations

import asyncio
import json
import os
import tempfile
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from pagereeve.simulator.errors import BadAct, SimulatorError
from pagereeve.simulator.network.listener import LoopbackListener, close

REQUEST_MAX_BYTES: Final = 4_096
ANSWER_MAX_BYTES: Final = 65_536
# A character of JSON has six bytes at most.
TEXT_MAX: Final = ANSWER_MAX_BYTES // 6 - 64
REQUEST_S: Final = 5.0
ANSWER_S: Final = 30.0
# sun_path of unix(7), without the zero byte that ends it.
PATH_MAX_BYTES: Final = 107

Perform = Callable[[Sequence[str]], Awaitable[str]]


class NoControl(SimulatorError):
    """Nothing to be asked, or no place to be asked at: the text says what to do."""


def default_path() -> Path:
    """One for each user: in their folder for what lasts as long as their session, or in the one for everybody."""
    own = os.environ.get("XDG_RUNTIME_DIR")
    if own:
        return Path(own) / "pagereeve-simulate.sock"
    return Path(tempfile.gettempdir()) / f"pagereeve-simulate-{os.getuid()}.sock"


class LocalControl:
    """Serves ``perform`` at ``path``, one act after the other, to nobody but our own user."""

    def __init__(self, path: Path, perform: Perform) -> None:
        self._path, self._perform = path, perform
        self._turn = asyncio.Lock()
        self._listener = LoopbackListener(self._serve, limit_bytes=REQUEST_MAX_BYTES)

    async def start(self) -> None:
        """Raises NoControl where somebody else is asked there, or nobody can be."""
        if len(bytes(self._path.absolute())) > PATH_MAX_BYTES:
            raise NoControl(f"{self._path} is too long for a local socket ({PATH_MAX_BYTES} bytes); give --control")
        if await asyncio.to_thread(self._path.exists):
            await self._take_over()
        await self._listener.start_at(self._path)

    async def stop(self) -> None:
        await self._listener.stop()
        self._path.unlink(missing_ok=True)

    async def _take_over(self) -> None:
        try:
            async with asyncio.timeout(REQUEST_S):
                _, writer = await asyncio.open_unix_connection(self._path)
        except ConnectionRefusedError:
            self._path.unlink(missing_ok=True)  # of one that was killed
            return
        except (OSError, TimeoutError) as error:
            raise NoControl(f"{self._path} can't be used ({error}); give another --control") from None
        await close(writer)
        raise NoControl(f"another simulate runs and is asked at {self._path}; end it, or give another --control")

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        answer = await self._answer(reader)
        writer.write(json.dumps(answer).encode() + b"\n")
        with suppress(OSError):
            await writer.drain()

    async def _answer(self, reader: asyncio.StreamReader) -> dict[str, Any]:
        try:
            async with asyncio.timeout(REQUEST_S):
                line = await reader.readuntil(b"\n")
        except (asyncio.IncompleteReadError, asyncio.LimitOverrunError, TimeoutError):
            return {"done": False, "text": f"no whole request came in {REQUEST_S:.0f} s and {REQUEST_MAX_BYTES} bytes"}
        try:
            async with asyncio.timeout(ANSWER_S), self._turn:
                text = await self._perform(_words(line))
        except SimulatorError as error:
            return {"done": False, "text": str(error)}
        except TimeoutError:
            return {"done": False, "text": f"it was not done within {ANSWER_S:.0f} s"}
        return {"done": True, "text": text[:TEXT_MAX]}


def _words(line: bytes) -> list[str]:
    try:
        words = json.loads(line)
    except (ValueError, RecursionError):
        words = None
    if not isinstance(words, list) or not all(isinstance(word, str) for word in words):
        raise BadAct("a request is one line: a JSON list of words")
    return words


async def ask(path: Path, words: Sequence[str]) -> tuple[bool, str]:
    """Was it done, and what was said. Raises NoControl."""
    request = json.dumps(list(words)).encode() + b"\n"
    try:
        async with asyncio.timeout(ANSWER_S + REQUEST_S):
            reader, writer = await asyncio.open_unix_connection(path, limit=ANSWER_MAX_BYTES)
            try:
                writer.write(request)
                await writer.drain()
                answer = json.loads(await reader.readuntil(b"\n"))
            finally:
                await close(writer)
    except (OSError, TimeoutError, ValueError, asyncio.IncompleteReadError, asyncio.LimitOverrunError) as error:
        why = "nothing is asked there" if isinstance(error, FileNotFoundError | ConnectionRefusedError) else str(error)
        raise NoControl(f"no simulate answers at {path} ({why}); start pagereeve simulate, or name --control") from None
    return answer["done"], answer["text"]
