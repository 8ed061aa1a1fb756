"""A network of this machine and a few others, each a network namespace whose cable can be cut.

    this machine (.1) ── switch ─┬─ .2
                                 ├─ .3
                                 └─ ...

Needs root, iproute2 and nftables. The addresses are those set aside for tests between networks (RFC 2544 appendix
C.2.2).
"""

from __future__ import annotations

import contextlib
import os
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal, Self

FIRST_NET, NETS = 128, 64
Cut = Literal["unplugged", "swallowed"]
"""The other side's system knows that there is no network; or all that is sent is lost without a word."""
HOLE: Final = (
    'table inet hole { chain in { type filter hook input priority 0; iifname "lan" drop; }; '
    'chain out { type filter hook output priority 0; oifname "lan" drop; }; }'
)


@dataclass(frozen=True, slots=True)
class Machine:
    """``within`` runs a command there."""

    namespace: str
    address: str

    @property
    def within(self) -> tuple[str, ...]:
        return ("ip", "netns", "exec", self.namespace)

    def cut(self, how: Cut) -> None:
        if how == "unplugged":
            _run("ip", "-n", self.namespace, "link", "set", "lan", "down")
        else:
            _run(*self.within, "nft", "-f", "-", given=HOLE)

    def join(self, how: Cut) -> None:
        if how == "unplugged":
            _run("ip", "-n", self.namespace, "link", "set", "lan", "up")
        else:
            _run(*self.within, "nft", "delete", "table", "inet", "hole")

    @contextlib.contextmanager
    def cut_off(self, how: Cut) -> Iterator[None]:
        self.cut(how)
        try:
            yield
        finally:
            self.join(how)


class Network:
    """``with Network(3) as network``: three ``machines``; this one is ``address`` there, all of them ``mask``."""

    def __init__(self, machines: int) -> None:
        if os.geteuid() != 0:
            raise PermissionError("network namespaces need root; run this as root")
        self._switch = f"prsw{os.getpid()}"
        self._net = _free_net()
        self.address = f"{self._net}.1"
        self.mask = f"{self._net}.0/24"
        self.machines = [Machine(f"pr-worker-{os.getpid()}-{nth}", f"{self._net}.{2 + nth}") for nth in range(machines)]

    def __enter__(self) -> Self:
        try:
            self._build()
        except BaseException:
            self._tear_down()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._tear_down()

    def _build(self) -> None:
        _run("ip", "link", "add", self._switch, "type", "bridge")
        _run("ip", "address", "add", f"{self.address}/24", "dev", self._switch)
        _run("ip", "link", "set", self._switch, "up")
        for nth, one in enumerate(self.machines):
            port, there = f"prsp{os.getpid()}x{nth}", ("ip", "-n", one.namespace)
            _run("ip", "netns", "add", one.namespace)
            _run("ip", "link", "add", port, "type", "veth", "peer", "name", "lan", "netns", one.namespace)
            _run("ip", "link", "set", port, "master", self._switch, "up")
            _run(*there, "address", "add", f"{one.address}/24", "dev", "lan")
            _run(*there, "link", "set", "lan", "up")
            _run(*there, "link", "set", "lo", "up")

    def _tear_down(self) -> None:
        """A namespace takes its cable with it, once nobody runs there any more."""
        for one in self.machines:
            with contextlib.suppress(OSError):
                _run("ip", "netns", "delete", one.namespace)
        with contextlib.suppress(OSError):
            _run("ip", "link", "delete", self._switch)


def _free_net() -> str:
    taken = _run("ip", "-4", "-o", "address")
    for nth in range(NETS):
        net = f"198.18.{FIRST_NET + (os.getpid() + nth) % NETS}"
        if f"{net}." not in taken:
            return net
    raise OSError(f"all {NETS} test networks are in use: remove left-over prsw* links")


def _run(*argv: str, given: str | None = None) -> str:
    """Raises OSError."""
    done = subprocess.run(argv, input=given, capture_output=True, text=True, check=False, timeout=20)
    if done.returncode:
        raise OSError(f"{' '.join(argv)} failed: {done.stderr.strip()}")
    return done.stdout
