"""Many agents at once: no more than allowed, in the order given, silence beside answers within a bounded time."""

from __future__ import annotations

import asyncio

from pagereeve.app.fleet_look import look_over
from pagereeve.domain.facts.reading import Failure, SilenceReason
from pagereeve.ports.inspection import Inspection, PrinterIdentity
from pagereeve.ports.meter import MeterTarget

SILENT_S = 0.05


class Looker:
    """Answers at once, or after SILENT_S for a printer whose name says so."""

    def __init__(self) -> None:
        self.now = self.most = 0

    async def inspect(self, target: MeterTarget, timeout_s: float) -> Inspection:
        self.now += 1
        self.most = max(self.most, self.now)
        await asyncio.sleep(timeout_s if target.printer.startswith("silent") else 0)
        self.now -= 1
        failure = Failure(0, 1, SilenceReason.TIMEOUT, target.printer, "")
        return Inspection("", "2c", PrinterIdentity(), (), (), (), None, failure)


async def test_no_more_at_once_than_allowed_and_the_order_is_that_of_the_targets() -> None:
    looker, done = Looker(), []
    names = [f"{'silent' if nth % 3 else 'good'}-{nth}" for nth in range(60)]
    targets = [MeterTarget(name, "192.0.2.1") for name in names]
    begun_s = asyncio.get_running_loop().time()
    seen = await look_over(looker, targets, SILENT_S, lambda target, _: done.append(target.printer), at_once=10)
    took_s = asyncio.get_running_loop().time() - begun_s
    assert looker.most == 10
    assert [one.failure.detail for one in seen if one.failure] == names
    assert sorted(done) == sorted(names)
    # 40 silent ones, ten at once: four rounds, and not 40.
    assert 4 * SILENT_S <= took_s < 4 * 4 * SILENT_S
