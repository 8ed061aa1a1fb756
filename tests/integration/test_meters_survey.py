"""Printers of many kinds, each a handful of facts, looked over and read through real sockets."""

from __future__ import annotations

import pytest

from pagereeve.domain.facts.reading import Unit, UnitGrade
from pagereeve.meters.discovery.profile import Profiles, profile_from, shipped_profiles
from pagereeve.meters.reader import LOOK_AGAIN_S, SnmpMeter
from pagereeve.meters.snmp.stats import MeterHooks
from pagereeve.reports.inspection import inspection_json, inspection_text
from tests.integration.meter import a_meter, failure, reading, total
from tests.printers import KYOCERA, LIFE, PRINTERS, Known, of_maker
from tests.snmp_agents import MachineClock, MibAgent, SeededEntropy, counter, mib_agent, printer_mib, small


@pytest.mark.parametrize("version", ["1", "2c"])
@pytest.mark.parametrize("kind", PRINTERS)
async def test_each_kind_of_printer_is_read_or_refused_for_its_reason(kind: str, version: str) -> None:
    known = PRINTERS[kind]
    async with a_meter() as meter, mib_agent(MibAgent(dict(known.mib))) as raw:
        target = raw.target(version=version)
        seen = await meter.inspect(target, 5.0)
        assert {one.name: (one.value, one.unit) for one in seen.channels} == dict(known.counts), seen.notes
        assert all(one.objects and one.why and one.source for one in seen.channels)
        assert any(not check.passed for check in seen.checks) == known.contradicts
        result = await meter.read(target, 5.0)
        if known.reason is not None:
            assert failure(result).reason is known.reason
            assert seen.failure is not None
            assert (seen.failure.reason, seen.failure.detail) == (known.reason, failure(result).detail)
        else:
            assert seen.reading is not None
            assert seen.reading.sight == reading(result).sight
            # A total of an unknown unit is kept as one; a part of an unknown unit is a witness alone.
            usable = {
                name: value for name, (value, unit) in known.counts.items() if unit is not None or name == "total"
            }
            assert {name: count.value for name, count in reading(result).sight.counts} == usable


async def test_an_inspection_says_what_it_did_not_choose_and_why() -> None:
    async with a_meter() as meter, mib_agent(MibAgent(dict(PRINTERS["xerox-colour"].mib))) as raw:
        seen = await meter.inspect(raw.target(), 5.0)
    (passed_over,) = [note for note in seen.notes if "30745" in note]
    assert "unit missing" in passed_over
    assert "whose unit is known" in passed_over
    assert any("profile xerox is the one whose objects it answers" in note for note in seen.notes)
    assert [check.text for check in seen.checks][-2:] == [
        "mono + colour = 30734 = total",
        "prints + copies = 30734 = total",
    ]


async def test_a_mapping_that_contradicts_the_total_is_named_and_not_used() -> None:
    async with a_meter() as meter, mib_agent(MibAgent(dict(PRINTERS["wrong-mapping"].mib))) as raw:
        seen = await meter.inspect(raw.target(), 5.0)
    assert any("hp is not used, since mono 229262 > total 50452" in note for note in seen.notes)
    assert next(check.text for check in seen.checks if not check.passed) == "mono 229262 > total 50452"
    assert "FAILED  mono 229262 > total 50452" in inspection_text(seen)
    assert not inspection_json(seen)["checks"][0]["passed"]


async def test_a_unit_that_a_test_print_proved_wins_over_what_the_agent_says() -> None:
    # A unit is a claim (centreon/centreon-plugins#66); only a test print tells what a two-sided sheet counts.
    for said in (8, 7, 0):
        agent = MibAgent(printer_mib(500, unit=said))
        async with a_meter() as meter, mib_agent(agent) as raw:
            target = raw.target(unit=Unit.IMPRESSIONS)
            count = reading(await meter.read(target, 5.0)).sight.count("total")
            assert count is not None
            assert (count.value, count.unit, count.grade) == (500, Unit.IMPRESSIONS, UnitGrade.PROVEN)
            target = raw.target(unit=Unit.IMPRESSIONS, unit_grade=UnitGrade.INFERRED)
            count = reading(await meter.read(target, 5.0)).sight.count("total")
            assert count is not None
            assert (count.unit, count.grade) == (Unit.IMPRESSIONS, UnitGrade.INFERRED)


async def test_the_registry_can_ask_for_a_profile_or_for_none() -> None:
    agent = MibAgent(dict(PRINTERS["sharp-colour"].mib))
    async with a_meter() as meter, mib_agent(agent) as raw:
        plain = await meter.inspect(raw.target(profile="none"), 5.0)
        assert [one.name for one in plain.channels] == ["total"]
        unknown = await meter.inspect(raw.target(profile="shrap"), 5.0)
        assert any("no profile 'shrap'; known are brother" in note for note in unknown.notes)


async def test_a_sites_own_profile_needs_no_code() -> None:
    own = profile_from(
        """
        name = "house"
        maker = "A maker of labels"
        object_ids = ["1.3.6.1.4.1.32473.77"]
        sources = ["a test print"]
        evidence = "Ten pages, ten steps."
        [[channels]]
        name = "total"
        unit = "impressions"
        modulus = 1000000
        objects = ["1.3.6.1.4.1.32473.77.1.0"]
        """,
        "house.toml",
    )
    agent = MibAgent(of_maker("32473.77.5", {"1.3.6.1.4.1.32473.77.1.0": small(999_998)}))
    meter = SnmpMeter.of(MachineClock(), SeededEntropy(), profiles=Profiles([*shipped_profiles(), own]))
    async with mib_agent(agent) as raw:
        count = reading(await meter.read(raw.target(), 5.0)).sight.count("total")
    await meter.close()
    assert count is not None
    assert (count.value, count.modulus, count.object) == (999_998, 10**6, "1.3.6.1.4.1.32473.77.1.0")


class SkippingClock(MachineClock):
    """Real time, and hours more at the test's word."""

    def __init__(self) -> None:
        self.skipped_us = 0

    def monotonic_us(self) -> int:
        return super().monotonic_us() + self.skipped_us


async def test_a_row_that_comes_later_joins_the_sum_and_is_said() -> None:
    # Tylan/check_snmp_printer#13: a fourth paper size with 5 pages appears mid-month
    agent = MibAgent(dict(PRINTERS["kyocera-sizes"].mib))
    notes: list[str] = []
    clock = SkippingClock()
    meter = SnmpMeter.of(clock, SeededEntropy(), MeterHooks(on_note=lambda _, text: notes.append(text)))
    async with mib_agent(agent) as raw:
        first = reading(await meter.read(raw.target(), 5.0))
        agent.mib[f"{KYOCERA}.2.1.1.1.6.1.4"] = counter(5)
        assert total(await meter.read(raw.target(), 5.0)) == 15_359
        clock.skipped_us = (LOOK_AGAIN_S + 1) * 1_000_000
        later = reading(await meter.read(raw.target(), 5.0))
        assert total(later) == 15_364
        assert meter.stats.new_rows == 1
        (note,) = notes
        assert "new row" in note
        # The same counter goes on, so the run does too.
        assert {count.object for _, count in (*first.sight.counts, *later.sight.counts)} == {"kyocera total"}
    await meter.close()


async def test_a_part_that_comes_to_contradict_the_total_costs_no_reading() -> None:
    agent = MibAgent(dict(PRINTERS["sharp-colour"].mib))
    async with a_meter() as meter, mib_agent(agent) as raw:
        assert len(reading(await meter.read(raw.target(), 5.0)).sight.counts) == 5
        agent.mib["1.3.6.1.4.1.2385.1.1.19.2.1.3.5.4.61"] = counter(300_000)
        after = reading(await meter.read(raw.target(), 5.0))
        assert total(after) == 121_104
        assert after.sight.count("mono") is None
        assert meter.stats.contradictions == 1
        # Looked over anew, the doubtful mapping is not used at all.
        assert reading(await meter.read(raw.target(), 5.0)).sight.channels == ("total",)


async def test_a_part_that_is_no_number_costs_no_reading() -> None:
    agent = MibAgent(dict(PRINTERS["hp-laser"].mib))
    async with a_meter() as meter, mib_agent(agent) as raw:
        await meter.read(raw.target(), 5.0)
        agent.mib["1.3.6.1.4.1.11.2.3.9.4.2.1.4.1.2.6.0"] = small(-7)
        after = reading(await meter.read(raw.target(), 5.0))
        assert after.sight.channels == ("colour", "duplex", "total")
        assert meter.stats.undecodable == 1


async def test_answers_that_are_too_large_for_the_path_are_asked_for_in_smaller_pieces() -> None:
    # inverse-inc/packetfence#2021: large answers vanish
    class Narrow(MibAgent):
        def answer(self, data: bytes) -> bytes | None:
            answer = super().answer(data)
            return answer if answer is None or len(answer) <= 250 else None

    known = PRINTERS["sharp-colour"]
    async with a_meter() as meter, mib_agent(Narrow(dict(known.mib))) as raw:
        results = [await meter.read(raw.target(), 4.0) for _ in range(3)]
        assert [total(one) for one in results] == [121_104] * 3


async def test_no_request_of_a_pinned_read_needs_a_large_answer() -> None:
    for known in (known for known in PRINTERS.values() if known.reason is None):
        assert await largest_answer(known) <= 1200


async def largest_answer(known: Known) -> int:
    sizes: list[int] = []

    class Measured(MibAgent):
        def answer(self, data: bytes) -> bytes | None:
            answer = super().answer(data)
            sizes.append(0 if answer is None else len(answer))
            return answer

    async with a_meter() as meter, mib_agent(Measured(dict(known.mib))) as raw:
        reading(await meter.read(raw.target(), 5.0))
        reading(await meter.read(raw.target(), 5.0))
    return max(sizes)


async def test_a_standard_count_and_unit_that_move_to_another_row_are_another_counter() -> None:
    # fusioninventory/fusioninventory-agent#658: later only .1.1 exists; a new meter run begins, which the object's name
    # tells
    agent = MibAgent(printer_mib(device=0))
    async with a_meter() as meter, mib_agent(agent) as raw:
        before = reading(await meter.read(raw.target(), 5.0)).sight.count("total")
        agent.mib = printer_mib(device=1)
        failure(await meter.read(raw.target(), 5.0))
        after = reading(await meter.read(raw.target(), 5.0)).sight.count("total")
        assert before is not None
        assert after is not None
        assert (before.object, after.object) == (f"{LIFE}.0.1", f"{LIFE}.1.1")
