"""The demo's relay is a process of its own, and outlives a daemon; it does not outlive the demo, however that ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

DEMO = """
import asyncio, sys
from pathlib import Path
from pagereeve.demo.relay_process import relay_process
from pagereeve.settings import load_settings

async def demo():
    async with relay_process(load_settings(Path(sys.argv[1]), {})) as relay:
        print(relay.pid, flush=True)
        await asyncio.sleep(60)

asyncio.run(demo())
"""
SETTINGS = """
data_dir = "."
[[gateways]]
name = "g"
host = "127.0.0.1"
[[relays]]
name = "r"
gateway = "g"
listen = "127.0.0.1:0"
forward_to = "127.0.0.1:9"
"""
END_S = 10.0


def is_running(process: int) -> bool:
    """One that has ended and that nobody waited for does not run (proc_pid_stat(5))."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except (FileNotFoundError, ProcessLookupError):
        return False


def test_a_demo_that_is_killed_leaves_no_relay(tmp_path: Path) -> None:
    config = tmp_path / "p.toml"
    config.write_text(SETTINGS)
    demo = subprocess.Popen([sys.executable, "-c", DEMO, str(config)], stdout=subprocess.PIPE, text=True)
    assert demo.stdout is not None
    try:
        relay = int(demo.stdout.readline())
        assert is_running(relay)
    finally:
        demo.kill()
        demo.wait()
        demo.stdout.close()
    until_s = time.monotonic() + END_S
    while time.monotonic() < until_s and is_running(relay):
        time.sleep(0.05)
    left = is_running(relay)
    if left:
        os.kill(relay, signal.SIGKILL)
    assert not left
