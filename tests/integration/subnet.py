"""One subnet of printers, some of them off: two network namespaces and a link, and sockets opened in either.

    daemon (198.18.64.1) ── link ── printers (198.18.64.2 to .9); nobody has the addresses above, as if switched off

Needs root and iproute2. The addresses are those set aside for tests between networks (RFC 2544 appendix C.2.2).
"""

from __future__ import annotations

import contextlib
import ctypes
import itertools
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Self

import pytest

from tests.integration.foreign import tool

PRINTERS = 8
NET = "198.18.64"
CLONE_NEWNET = 0x40000000
_numbers = itertools.count()


class Subnet:
    """``with subnet.daemon_side():`` and ``printer_side()``: sockets opened within belong there until closed."""

    printers = tuple(f"{NET}.{2 + nth}" for nth in range(PRINTERS))

    def __init__(self) -> None:
        self._ip = tool("ip", "iproute2")
        if os.geteuid() != 0:
            pytest.fail("network namespaces need root; run this test as root", pytrace=False)
        tag = f"{os.getpid()}x{next(_numbers)}"
        self._daemon, self._printers = f"pr-daemon-{tag}", f"pr-subnet-{tag}"

    def off(self, count: int) -> list[str]:
        """Addresses of printers that are off: nobody answers for their hardware address."""
        return [f"{NET}.{20 + nth}" for nth in range(count)]

    def __enter__(self) -> Self:
        try:
            self._build()
        except BaseException:
            self._tear_down()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._tear_down()

    @contextlib.contextmanager
    def daemon_side(self) -> Iterator[None]:
        with self._inside(self._daemon):
            yield

    @contextlib.contextmanager
    def printer_side(self) -> Iterator[None]:
        with self._inside(self._printers):
            yield

    @contextlib.contextmanager
    def _inside(self, namespace: str) -> Iterator[None]:
        """This thread's new sockets are in the namespace (setns(2); Python has it from 3.12 on)."""
        libc = ctypes.CDLL(None, use_errno=True)
        with Path("/proc/thread-self/ns/net").open() as back, Path("/run/netns", namespace).open() as there:
            if libc.setns(there.fileno(), CLONE_NEWNET):
                raise OSError(ctypes.get_errno(), f"can't enter {namespace}")
            try:
                yield
            finally:
                if libc.setns(back.fileno(), CLONE_NEWNET):
                    raise OSError(ctypes.get_errno(), "can't come back")

    def _run(self, *argv: str) -> None:
        done = subprocess.run([self._ip, *argv], capture_output=True, text=True, check=False, timeout=20)
        if done.returncode:
            pytest.fail(f"ip {' '.join(argv)} failed: {done.stderr.strip()}", pytrace=False)

    def _build(self) -> None:
        for namespace in (self._daemon, self._printers):
            self._run("netns", "add", namespace)
            self._run("-n", namespace, "link", "set", "lo", "up")
        here = ["-n", self._daemon]
        self._run(*here, "link", "add", "lan", "type", "veth", "peer", "name", "lan", "netns", self._printers)
        self._run(*here, "address", "add", f"{NET}.1/24", "dev", "lan")
        for address in self.printers:
            self._run("-n", self._printers, "address", "add", f"{address}/24", "dev", "lan")
        for namespace in (self._daemon, self._printers):
            self._run("-n", namespace, "link", "set", "lan", "up")

    def _tear_down(self) -> None:
        for namespace in (self._daemon, self._printers):
            with contextlib.suppress(OSError):
                subprocess.run([self._ip, "netns", "delete", namespace], capture_output=True, check=False, timeout=20)
