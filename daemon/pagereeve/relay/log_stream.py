"""A stream for logs whose reader may be stuck, or its disk be full: whoever writes never waits, and never fails."""

from __future__ import annotations

import contextlib
import queue
import threading
from typing import TextIO


class LogStream:
    """Hands each text to a thread, which writes it. What finds no room is counted, and the count is written later."""

    def __init__(self, stream: TextIO) -> None:
        self.dropped = 0
        self._told = 0
        self._stream = stream
        self._waiting: queue.Queue[str] = queue.Queue(maxsize=1_000)
        self._thread = threading.Thread(target=self._run, name="logs", daemon=True)
        self._thread.start()

    def write(self, text: str) -> int:
        try:
            self._waiting.put_nowait(text)
        except queue.Full:
            self.dropped += 1
        return len(text)

    def flush(self) -> None:
        """The thread flushes."""

    def isatty(self) -> bool:
        return self._stream.isatty()

    def close(self, within_s: float) -> None:
        """Wait for what was written before, so long at most."""
        with contextlib.suppress(queue.Full):  # then its reader is stuck, and the thread ends with the process
            self._waiting.put("", timeout=within_s / 2)
            self._thread.join(within_s / 2)

    def _run(self) -> None:
        while text := self._waiting.get():
            dropped = self.dropped
            more = f'{{"event": "log lines were dropped", "lines": {dropped}}}\n' if dropped > self._told else ""
            try:
                self._stream.write(text + more)
                self._stream.flush()
            except OSError:
                self.dropped += 1
            else:
                self._told = dropped
