"""More is asked of the engine than it can do: polls are thinned out, gated notices are not, and nothing is lost."""

from __future__ import annotations

import asyncio

from pagereeve.domain.ledger import Verdict
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import FakePrinter, World

NAMES = [f"p{nth}" for nth in range(20)]


async def _hour(*, pressed: bool) -> tuple[int, list[float]]:
    """Releases at all printers but one, and gated notices there: reads in all, and how late each gate's read left."""
    async with World({name: FakePrinter() for name in (*NAMES, "gated")}) as world:
        await world.passes(100)
        world.pressed = pressed
        late_s = []
        releases = [asyncio.create_task(world.release(f"r{name}", 4, name)) for name in NAMES]
        for nth in range(30):
            told_s = world.now_s
            accepted = await world.start(f"g{nth}", printer="gated", wait_s=5)
            assert accepted.reading == "in-hand"
            late_s.append(round(next(at_s for at_s in world.sent_s("gated") if at_s >= told_s) - told_s, 3))
            await world.end(f"g{nth}", "cancelled")
            await world.passes(3)
        await asyncio.gather(*releases)
        await world.passes(3600)
        assert not world.troubles
        for name in NAMES:
            (charge,) = (await world.ledger(name)).charges
            assert (charge.charged, charge.verdict) == (4, Verdict.AGREES)
        return sum(len(world.sent_s(name)) for name in NAMES), late_s


def test_under_load_fewer_polls_leave_and_each_gates_read_at_once() -> None:
    """Polls that were due before the notice leave after it: its read leaves in the instant in which it came."""
    usual, at_once = passing(_hour(pressed=False))
    thinned, still_at_once = passing(_hour(pressed=True))
    assert set(at_once) == set(still_at_once) == {0.0}
    assert thinned < usual
