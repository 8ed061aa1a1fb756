"""Descriptors are shared out so that the rest of the daemon keeps its own."""

from __future__ import annotations

import subprocess
import sys

import pytest

from pagereeve.app.descriptors import RESERVE, Shares, shares


@pytest.mark.parametrize(
    ("descriptors", "feeds", "expected"),
    [
        (8_192, 2, Shares(256, 2_048)),
        (1_024, 0, Shares(8, 832)),
        (1_024, 1, Shares(256, 576)),
        (1_024, 4, Shares(104, 416)),
        (256, 1, Shares(32, 32)),
        (100, 1, Shares(8, 8)),
    ],
)
def test_the_shares(descriptors: int, feeds: int, expected: Shares) -> None:
    assert shares(descriptors, line_feeds=feeds, line_wanted=256, http_wanted=2_048) == expected


@pytest.mark.parametrize("descriptors", [300, 512, 1_024, 4_096, 65_536])
@pytest.mark.parametrize("feeds", [0, 1, 3])
def test_the_reserve_is_left(descriptors: int, feeds: int) -> None:
    given = shares(descriptors, line_feeds=feeds, line_wanted=1_000, http_wanted=100_000)
    assert given.http + feeds * given.line_feed <= descriptors - RESERVE


@pytest.mark.parametrize(("soft", "hard", "raised"), [(128, 700, 700), (128, 128, 128), (700, 700, 700)])
def test_the_soft_limit_is_raised_to_the_hard_one(soft: int, hard: int, raised: int) -> None:
    code = (
        "import resource; from pagereeve.app.descriptors import raise_limit; "
        f"resource.setrlimit(resource.RLIMIT_NOFILE, ({soft}, {hard})); "
        "print(raise_limit(), *resource.getrlimit(resource.RLIMIT_NOFILE))"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.split() == [str(raised), str(raised), str(hard)]
