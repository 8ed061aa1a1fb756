"""The power fails soon after the first badge: the key that it was hashed with is there, whole, and so is the badge.

Each cut has an ext4 file system of its own, in an image on a loop device, mounted in a mount namespace of this process.
The daemon runs on it; once it has acknowledged a badge, the file system is shut down without writing anything more
(EXT4_IOC_SHUTDOWN with NOLOGFLUSH, linux/fs/ext4/ext4.h: what was not synced is lost), the daemon killed, and the image
mounted again. It needs root, mkfs.ext4, loop devices and unshare(1); where it can't run, it says so and exits with 2.

    python contrib/drill/power_cuts.py                  # 12 cuts: 2 minutes
    python contrib/drill/power_cuts.py --hasty          # the judge itself: a key that is not synced must be lost
"""

from __future__ import annotations

import argparse
import fcntl
import json
import os
import random
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

EXT4_IOC_SHUTDOWN = 0x8004587D
NOLOGFLUSH = 2
# Larger than what the daemon wants free; a file of holes takes little of it.
IMAGE_BYTES = 256 * 2**20
KEY_CHARACTERS = 64
READY_S = 30.0
# The file system writes its log by itself every 5 s (ext4(5), commit): within it, what nobody synced is lost.
CUT_WITHIN_S = 2.0
RUN = "import sys; from pagereeve.cli import main; sys.argv[0] = 'pagereeve'; main()"
# As the key was written once: a file under its own name, and no sync.
HASTY = """
import os
from pagereeve.app import badge_key_file
def hasty(path, layer=None):
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    os.write(handle, os.urandom(32).hex().encode())
    os.close(handle)
import pagereeve.app.badge_key as asks
asks.make_key = hasty
"""
BADGE = "04A32B1C99"


class NotHere(Exception):
    """This machine does not allow the drill."""


def command(*words: str) -> None:
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        raise NotHere(f"{' '.join(words)}: {(done.stderr or done.stdout).strip()}")


@contextmanager
def mounted(image: Path, place: Path) -> Iterator[Path]:
    command("mount", "-o", "loop", str(image), str(place))
    try:
        yield place
    finally:
        command("umount", str(place))


def shut_down(place: Path) -> None:
    handle = os.open(place, os.O_RDONLY)
    try:
        fcntl.ioctl(handle, EXT4_IOC_SHUTDOWN, struct.pack("I", NOLOGFLUSH))
    except OSError as error:
        raise NotHere(f"EXT4_IOC_SHUTDOWN: {error.strerror}") from error
    finally:
        os.close(handle)


def ask(port: int, path: str, body: bytes | None = None) -> int:
    request = urllib.request.Request(f"http://127.0.0.1:{port}{path}", data=body)
    request.add_header("Content-Type", "application/cloudevents+json")
    with suppress(OSError), urllib.request.urlopen(request, timeout=10) as answer:
        return int(answer.status)
    return 0


def a_free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def daemon(config: Path, port: int, *, hasty: bool) -> Iterator[subprocess.Popen[bytes] | None]:
    """Ready, or None where it did not start."""
    code = (HASTY if hasty else "") + RUN
    process = subprocess.Popen([sys.executable, "-c", code, "run", "--config", str(config)], stderr=subprocess.DEVNULL)
    ends_s = time.monotonic() + READY_S
    try:
        while (status := ask(port, "/readyz")) != 200 and process.poll() is None and time.monotonic() < ends_s:
            time.sleep(0.05)
        yield process if status == 200 else None
    finally:
        process.kill()
        process.wait()


def present(port: int, name: str) -> bool:
    data = {"badge": BADGE, "gateway": "gw"}
    event = {"specversion": "1.0", "id": name, "source": "/drill", "type": "pagereeve.badge.presented.v1", "data": data}
    return ask(port, "/v1/events", json.dumps(event).encode()) == 200


def hashes(config: Path) -> dict[str, str]:
    """The stored badges, by the id of their event."""
    words = [sys.executable, "-c", RUN, "facts", "--config", str(config)]
    lines = subprocess.run(words, capture_output=True, text=True, check=True).stdout.splitlines()
    events = (json.loads(line) for line in lines)
    return {one["id"]: one["data"]["badge"] for one in events if one.get("type") == "pagereeve.badge.presented.v1"}


def one_cut(folder: Path, *, hasty: bool) -> str:
    """ "" where all held, else what did not."""
    image, place, config = folder / "image", folder / "place", folder / "pagereeve.toml"
    place.mkdir()
    with image.open("wb") as file:
        file.truncate(IMAGE_BYTES)
    command("mkfs.ext4", "-q", "-F", str(image))
    port = a_free_port()
    config.write_text(f'data_dir = "{place}/data"\n[http]\nlisten = "127.0.0.1:{port}"\n')
    with mounted(image, place), daemon(config, port, hasty=hasty) as running:
        if running is None or not present(port, "before"):
            return "the daemon did not start on an empty file system"
        time.sleep(random.uniform(0, CUT_WITHIN_S))
        shut_down(place)
        running.send_signal(signal.SIGKILL)
        running.wait()
    with mounted(image, place):
        key = place / "data" / "badge.key"
        found = key.read_bytes() if key.exists() else None
        if found is None or len(found) != KEY_CHARACTERS:
            return "the key is gone" if found is None else f"the key has {len(found)} bytes"
        with daemon(config, port, hasty=False) as running:
            if running is None or not present(port, "after"):
                return "the daemon did not start after the cut"
            running.send_signal(signal.SIGTERM)
            running.wait()
        known = hashes(config)
    if "before" not in known:
        return "the acknowledged badge is lost"
    return "" if known["before"] == known.get("after") else "the badge of before is a stranger"


def inside(args: argparse.Namespace) -> int:
    troubles = []
    for number in range(args.cuts):
        with tempfile.TemporaryDirectory() as folder:
            trouble = one_cut(Path(folder), hasty=args.hasty)
        troubles += [trouble] if trouble else []
        print(f"cut {number + 1} of {args.cuts}: {trouble or 'whole'}", flush=True)
    print(f"{args.cuts - len(troubles)} of {args.cuts} cuts left key and badge whole")
    # Of a key that was not synced the judge must say that it is lost.
    if args.hasty:
        return int(len([one for one in troubles if one.startswith("the key ")]) != args.cuts)
    return int(bool(troubles))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--cuts", type=int, default=12)
    parser.add_argument("--hasty", action="store_true", help="write the key without a sync, which must be found out")
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    args = parser.parse_args()
    try:
        if args.inside:
            return inside(args)
        command("unshare", "--mount", "true")
    except NotHere as error:
        print(f"this machine does not allow power cuts by a file system's shutdown: {error}", file=sys.stderr)
        return 2
    words = ["unshare", "--mount", "--propagation", "private", sys.executable, __file__, *sys.argv[1:], "--inside"]
    return subprocess.run(words, check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
