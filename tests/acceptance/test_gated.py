"""4,000 gated notices at one silent printer cost the others nothing: they have their readings as if they were alone.

The short form of contrib/drill/gated.py, which has five rounds and a ratio of 2.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path[:0] = [str(Path(__file__).parents[2] / "contrib" / "drill")]

import gated  # noqa: E402 - scripts beside the package

pytestmark = pytest.mark.alone

ROUNDS = 6
RATIO_MAX = 4.0


@pytest.mark.timeout(240)
async def test_notices_that_wait_at_a_silent_printer_hold_up_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gated, "ALONE_S", 2.0)
    async with gated.a_site() as site:
        ratios = []
        for _ in range(ROUNDS):
            seen = await site.round()
            assert len(seen.silent_s) == gated.NOTICES
            assert await site.healthy_is_read()
            ratios.append(round(seen.ratio, 1))
            if seen.ratio <= RATIO_MAX:
                break
        assert min(ratios) <= RATIO_MAX, ratios
        assert await site.stored() == (site.sent, site.silent_sent)
