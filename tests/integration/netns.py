"""A gateway as it is installed before a printer: one outer address, port forwards, the printer alone behind it.

    this machine ── outer address ─[ box: NAT ]─ inner address ── printer

``Gateway`` builds it from two network namespaces and two veth pairs, and takes it down again with every process that
was started through it. Needs root, iproute2 and nftables.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import subprocess
from collections.abc import Sequence
from typing import Literal, Self

import pytest

from tests.integration.foreign import tool

INNER_BOX = "192.168.77.1"
INNER_PRINTER = "192.168.77.2"
NETS = 64
STOP_S = 5.0
_numbers = itertools.count()


def _run(*argv: str, given: str | None = None) -> str:
    done = subprocess.run(argv, input=given, capture_output=True, text=True, check=False, timeout=20)
    if done.returncode:
        pytest.fail(f"{' '.join(argv)} failed: {done.stderr.strip()}", pytrace=False)
    return done.stdout


class Gateway:
    """``with Gateway() as gateway``: reach the box at ``gateway.address``.

    ``forward("udp", 1161, 161)`` sends the box's outer port 1161 to the printer's port 161. ``inside(argv)`` starts a
    process where the printer is (its address there is ``gateway.inner_address``), ``on_box(argv)`` one on the box.
    """

    inner_address = INNER_PRINTER

    def __init__(self) -> None:
        self._ip = tool("ip", "iproute2")
        self._nft = tool("nft", "nftables")
        if os.geteuid() != 0:
            pytest.fail("network namespaces need root; run this test as root", pytrace=False)
        tag = f"{os.getpid()}x{next(_numbers)}"
        self._box = f"pr-box-{tag}"
        self._inner = f"pr-inner-{tag}"
        self._outer_link = f"pr{tag}"[:15]
        self._processes: list[subprocess.Popen[bytes]] = []
        self.outside_address = ""
        self.address = ""

    def __enter__(self) -> Self:
        try:
            self._build()
        except BaseException:
            self._tear_down()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self._tear_down()

    def forward(self, protocol: Literal["udp", "tcp"], outer_port: int, inner_port: int) -> None:
        """Send what reaches the outer address at that port on to the printer."""
        rule = f"ip daddr {self.address} {protocol} dport {outer_port} dnat to {INNER_PRINTER}:{inner_port}"
        self._on_box(self._nft, "add", "rule", "ip", "gateway", "forwards", *rule.split())

    def drop_forwards(self) -> None:
        """Forget every forward. What the box has translated before, it goes on translating until that mapping ages."""
        self._on_box(self._nft, "flush", "chain", "ip", "gateway", "forwards")

    def inside(self, argv: Sequence[str]) -> subprocess.Popen[bytes]:
        return self._start(self._inner, argv)

    def on_box(self, argv: Sequence[str]) -> subprocess.Popen[bytes]:
        return self._start(self._box, argv)

    def _start(self, namespace: str, argv: Sequence[str]) -> subprocess.Popen[bytes]:
        command = [self._ip, "netns", "exec", namespace, *argv]
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL)
        self._processes.append(process)
        return process

    def _on_box(self, *argv: str, given: str | None = None) -> None:
        _run(self._ip, "netns", "exec", self._box, *argv, given=given)

    def _build(self) -> None:
        ip = self._ip
        # 198.18.0.0/15 is set aside for tests between networks (RFC 2544 appendix C.2.2).
        taken = _run(ip, "-4", "-o", "address")
        net = next((n for n in range(NETS) if f"198.18.{n}." not in taken), None)
        if net is None:
            pytest.fail(f"all {NETS} test networks 198.18.x.0/30 are in use: remove left-over pr* links", pytrace=False)
        self.outside_address, self.address = f"198.18.{net}.1", f"198.18.{net}.2"
        for namespace in (self._box, self._inner):
            _run(ip, "netns", "add", namespace)
            _run(ip, "-n", namespace, "link", "set", "lo", "up")
        _run(ip, "link", "add", self._outer_link, "type", "veth", "peer", "name", "outer", "netns", self._box)
        _run(ip, "address", "add", f"{self.outside_address}/30", "dev", self._outer_link)
        _run(ip, "link", "set", self._outer_link, "up")
        _run(ip, "-n", self._box, "link", "add", "inner", "type", "veth", "peer", "name", "lan", "netns", self._inner)
        for namespace, link, address in (
            (self._box, "outer", f"{self.address}/30"),
            (self._box, "inner", f"{INNER_BOX}/24"),
            (self._inner, "lan", f"{INNER_PRINTER}/24"),
        ):
            _run(ip, "-n", namespace, "address", "add", address, "dev", link)
            _run(ip, "-n", namespace, "link", "set", link, "up")
        _run(ip, "-n", self._inner, "route", "add", "default", "via", INNER_BOX)
        self._on_box("sh", "-c", "echo 1 > /proc/sys/net/ipv4/ip_forward")
        self._on_box(
            self._nft,
            "-f",
            "-",
            given=(
                "table ip gateway {\n"
                " chain forwards { type nat hook prerouting priority dstnat; }\n"
                ' chain hide { type nat hook postrouting priority srcnat; oifname "outer" masquerade; }\n'
                "}\n"
            ),
        )

    def _tear_down(self) -> None:
        for process in self._processes:
            if process.poll() is None:
                process.terminate()
        for process in self._processes:
            try:
                process.wait(STOP_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(STOP_S)
        for namespace in (self._box, self._inner):
            with contextlib.suppress(OSError):
                subprocess.run([self._ip, "netns", "delete", namespace], capture_output=True, check=False, timeout=20)
        with contextlib.suppress(OSError):
            subprocess.run([self._ip, "link", "delete", self._outer_link], capture_output=True, check=False, timeout=20)
