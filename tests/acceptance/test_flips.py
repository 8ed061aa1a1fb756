"""Single bits flipped in a journal's files: each is named, or harmless by ``pagereeve verify``."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "contrib" / "drill"))

import flips


async def test_a_flipped_bit_is_named_or_harmless(tmp_path: Path) -> None:
    counts, missed = await flips.tried(tmp_path, flips=100, seed=4)
    assert missed == []
    # A judge that finds nothing, or nothing harmless, would judge nothing.
    assert counts["named"] >= 25
    assert counts["harmless"] >= 10
