"""Foreign daemons that a test starts: each ends with its test, by its own id."""

from __future__ import annotations

import socket
import subprocess
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final

START_S: Final = 15.0
END_S: Final = 10.0


def free_tcp_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def accepts(port: int) -> bool:
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=1.0):
            return True
    except OSError:
        return False


@contextmanager
def running(argv: Sequence[str], is_up: Callable[[], bool], log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """The process, once it is up; fails with its log where it ends or doesn't come up in time."""
    with log.open("wb") as out:
        process = subprocess.Popen(argv, stdin=subprocess.DEVNULL, stdout=out, stderr=subprocess.STDOUT)
        try:
            deadline = time.monotonic() + START_S
            while not is_up():
                if process.poll() is not None or time.monotonic() > deadline:
                    raise AssertionError(f"{argv[0]} did not come up:\n{log.read_text(errors='replace')[-4000:]}")
                time.sleep(0.05)
            yield process
        finally:
            process.terminate()
            try:
                process.wait(END_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(END_S)
