"""A meter for one test, and what its reads must have been."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from pagereeve.domain.facts.reading import Failure, Reading
from pagereeve.meters.reader import SnmpMeter
from pagereeve.meters.snmp.stats import MeterHooks
from tests.snmp_agents import MachineClock, SeededEntropy


@asynccontextmanager
async def a_meter(hooks: MeterHooks | None = None) -> AsyncIterator[SnmpMeter]:
    meter = SnmpMeter.of(MachineClock(), SeededEntropy(), hooks)
    try:
        yield meter
    finally:
        await meter.close()


def reading(result: Reading | Failure) -> Reading:
    assert isinstance(result, Reading), result
    return result


def failure(result: Reading | Failure) -> Failure:
    assert isinstance(result, Failure), result
    return result


def total(result: Reading | Failure) -> int:
    count = reading(result).sight.count("total")
    assert count is not None
    return count.value
