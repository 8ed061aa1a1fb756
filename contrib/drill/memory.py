"""Memory over many releases: flat, though Python's own collector of cycles is off in the event loop.

The daemon runs in this process, printers and the release server in another, as in contrib/bench/notice_to_read.py.
After a warm-up (the first fifth) the resident size is sampled; a line is laid through the samples (least squares), and
what it grows by over the whole run must stay below a share of the size.

    python contrib/drill/memory.py                      # 200,000 releases at 200/s: 17 minutes
    python contrib/drill/memory.py --seconds 150        # 30,000 releases
"""

from __future__ import annotations

import argparse
import asyncio
import os
import sys
import tempfile
import time
from pathlib import Path
from statistics import linear_regression

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

import notice_to_read

from pagereeve.app.running import loop_factory

SAMPLE_EVERY_S = 2.0
WARM_UP_SHARE = 0.2
GROWTH_SHARE_MAX = 0.10
PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")


def resident_bytes() -> int:
    """The third figure is shared pages; the second, those in memory (proc(5), /proc/pid/statm)."""
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * PAGE_BYTES


async def sampled(samples: list[tuple[float, int]]) -> None:
    while True:
        samples.append((time.monotonic(), resident_bytes()))
        await asyncio.sleep(SAMPLE_EVERY_S)


async def measure(args: argparse.Namespace) -> list[tuple[float, int]]:
    samples: list[tuple[float, int]] = []
    with tempfile.TemporaryDirectory() as folder:
        sampling = asyncio.create_task(sampled(samples))
        await notice_to_read.daemon(args, Path(folder))
        sampling.cancel()
    return samples


def verdict(samples: list[tuple[float, int]]) -> tuple[float, float]:
    """(growth over the run in bytes, as a share of the size after the warm-up)."""
    warm = samples[int(len(samples) * WARM_UP_SHARE) :]
    line = linear_regression([at_s for at_s, _ in warm], [size for _, size in warm])
    grown = line.slope * (warm[-1][0] - warm[0][0])
    return grown, grown / warm[0][1]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--printers", type=int, default=400)
    parser.add_argument("--rate", type=float, default=200.0)
    parser.add_argument("--seconds", type=float, default=1_000.0)
    parser.add_argument("--gated", action="store_true")
    parser.set_defaults(peak=False, scrape_s=0.0)
    args = parser.parse_args()
    notice_to_read.raise_file_limit()
    with asyncio.Runner(loop_factory=loop_factory()) as runner:
        samples = runner.run(measure(args))
    for at_s, size in samples[:: max(1, len(samples) // 20)]:
        print(f"{at_s - samples[0][0]:7.0f} s  {size / 2**20:7.1f} MiB")
    grown, share = verdict(samples)
    print(
        f"{args.rate * args.seconds:.0f} releases: {grown / 2**20:+.1f} MiB after the warm-up, {share:+.1%} of the size"
    )
    return 0 if share <= GROWTH_SHARE_MAX else 1


if __name__ == "__main__":
    sys.exit(main())
