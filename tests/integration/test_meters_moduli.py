"""Where counters wrap: each of a sum for itself, a Counter64 nowhere, and nothing beyond what a fact can hold."""

from __future__ import annotations

import json

import pytest

from pagereeve.domain.facts.codec import fact_bytes, from_json
from pagereeve.domain.facts.facts import PlateauRead
from pagereeve.domain.facts.reading import Plateau, SilenceReason
from pagereeve.meters.snmp.ber import COUNTER64
from tests.integration.meter import a_meter, failure, reading
from tests.printers import HP, LIFE, of_maker
from tests.snmp_agents import MibAgent, Tlv, mib_agent, printer_mib, small, text

# RFC 7493 section 2.2: beyond it JSON's integers are not exact.
MOST = 2**53 - 1


def wide(value: int) -> Tlv:
    return COUNTER64, value.to_bytes(value.bit_length() // 8 + 1, "big")


async def test_the_parts_of_a_sum_keep_their_own_moduli() -> None:
    agent = MibAgent(of_maker("11.2.3.9.1", {f"{HP}.6.0": small(11_000), f"{HP}.7.0": wide(4_000)}, count=0))
    async with a_meter() as meter, mib_agent(agent) as raw:
        sight = reading(await meter.read(raw.target(), 2.0)).sight
    total = sight.count("total")
    assert total is not None
    # HP-LASERJET-COMMON-MIB: pages wrap at 2^24.
    assert (total.value, total.modulus) == (15_000, 0)
    assert [one.modulus for one in sight.counters if one.channel == "total" and one.part] == [2**24, 2**24]


@pytest.mark.parametrize("value", [2**32 + 7, MOST])
async def test_a_wide_counter_becomes_a_fact_as_it_is(value: int) -> None:
    async with a_meter() as meter, mib_agent(MibAgent(printer_mib() | {f"{LIFE}.1.1": wide(value)})) as raw:
        read = reading(await meter.read(raw.target(), 2.0))
    fact = PlateauRead("p1", Plateau.of(read))
    assert from_json(json.loads(fact_bytes(fact))) == fact
    count = read.sight.count("total")
    assert count is not None
    assert (count.value, count.modulus) == (value, 0)
    assert [one.modulus for one in read.sight.counters] == [0]


@pytest.mark.parametrize("value", [wide(MOST + 1), wide(2**63), text(str(MOST + 1)), text("9" * 20)])
async def test_what_no_fact_can_hold_is_no_count(value: Tlv) -> None:
    async with a_meter() as meter, mib_agent(MibAgent(printer_mib() | {f"{LIFE}.1.1": value})) as raw:
        assert failure(await meter.read(raw.target(), 2.0)).reason in {SilenceReason.NO_METER, SilenceReason.MALFORMED}


async def test_a_sum_that_no_fact_can_hold_is_no_count() -> None:
    parts = {f"{HP}.6.0": wide(MOST), f"{HP}.7.0": wide(MOST)}
    async with a_meter() as meter, mib_agent(MibAgent(of_maker("11.2.3.9.1", parts))) as raw:
        assert failure(await meter.read(raw.target(), 2.0)).reason in {SilenceReason.NO_METER, SilenceReason.MALFORMED}
