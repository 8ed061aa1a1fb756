"""Every counter a witness: devices and markers told apart, sums of one answer, values that are not known."""

from __future__ import annotations

import pytest

from pagereeve.domain.facts.reading import PrinterState, SilenceReason, Unit, UnitGrade
from pagereeve.domain.facts.reading_codec import COUNTERS_MAX
from pagereeve.meters.snmp.limits import NAMES_MAX
from pagereeve.reports.inspection import inspection_json, inspection_text
from pagereeve.simulator.snmp.imaging import (
    AUXILIARY,
    COPY,
    DATASTREAM,
    FAX_IN,
    MAINTENANCE,
    PRINT,
    SCAN,
    WASTE,
    ServiceDone,
    WorkDone,
    imaging_rows,
)
from pagereeve.simulator.snmp.light_agent import LightAgent
from pagereeve.simulator.snmp.mib import HR_PRINTER, LIFE_COUNT, PRT_GENERAL, PRT_MARKER, Row, system_rows
from tests.integration.meter import a_meter, failure, reading, total
from tests.printers import HP, KONICA, LIFE, UNIT, of_maker
from tests.snmp_agents import (
    SERIAL_COLUMN,
    STATUS,
    MibAgent,
    Peer,
    RawAgent,
    counter,
    mib_agent,
    printer_mib,
    raw_agent,
    small,
    text,
)

SERIALS = ("PS-0001", "PS-0002", "PS-0003")


def print_server() -> MibAgent:
    """Three printers behind one agent: the first has no marker, the third prints."""
    mib = printer_mib(100, device=1) | printer_mib(200, device=2) | printer_mib(300, device=3)
    for column in (LIFE, UNIT):
        del mib[f"{column}.1.1"]
    for device, serial in enumerate(SERIALS, 1):
        mib[f"{SERIAL_COLUMN}.{device}"] = text(serial)
    return MibAgent(mib | {f"{STATUS}.3": small(4)})


async def test_count_serial_and_state_come_from_one_device() -> None:
    async with a_meter() as meter, mib_agent(print_server()) as raw:
        first = reading(await meter.read(raw.target(), 2.0))
        assert (total(first), first.sight.serial, first.sight.state) == (200, "PS-0002", PrinterState.IDLE)
        third = reading(await meter.read(raw.target("p3", device=3), 2.0))  # type: ignore[arg-type]
        assert (total(third), third.sight.serial, third.sight.state) == (300, "PS-0003", PrinterState.PRINTING)
        by_serial = reading(await meter.read(raw.target("p4", serial="PS-0003"), 2.0))
        assert by_serial.sight.counts == third.sight.counts
        refused = failure(await meter.read(raw.target("p5", device=1), 2.0))  # type: ignore[arg-type]
        assert refused.reason is SilenceReason.NO_METER
        assert "device index 1" in refused.detail
        absent = failure(await meter.read(raw.target("p6", device=7), 2.0))  # type: ignore[arg-type]
        assert "no printer at device index 7; there is 1, 2, 3" in absent.detail
        other = failure(await meter.read(raw.target("p7", device=2, serial="PS-0003"), 2.0))  # type: ignore[arg-type]
        assert other.reason is SilenceReason.WRONG_DEVICE


async def test_an_inspection_lists_all_devices_and_markers() -> None:
    agent = print_server()
    agent.mib |= {f"{LIFE}.2.2": counter(5), f"{UNIT}.2.2": small(7)}
    async with a_meter() as meter, mib_agent(agent) as raw:
        seen = await meter.inspect(raw.target(), 2.0)
    assert [(one.index, one.serial, len(one.markers)) for one in seen.devices] == [
        (1, "PS-0001", 0),
        (2, "PS-0002", 2),
        (3, "PS-0003", 1),
    ]
    assert seen.device == 2
    shown = inspection_text(seen)
    assert "device 2     PS-0002, 2.1: 200 impressions(7), 2.2: 5 impressions(7) <- read" in shown
    assert "witness total" in shown
    assert inspection_json(seen)["devices"][0]["markers"] == []


@pytest.mark.parametrize(("first", "second", "read"), [(0, 9000, 9000), (9000, 0, 9000), (9000, 8000, 9000)])
async def test_all_markers_are_witnesses_and_a_dead_one_is_not_billed(first: int, second: int, read: int) -> None:
    agent = MibAgent(printer_mib(first) | {f"{LIFE}.1.2": counter(second), f"{UNIT}.1.2": small(7)})
    async with a_meter() as meter, mib_agent(agent) as raw:
        sight = reading(await meter.read(raw.target(), 2.0)).sight
        count = sight.count("total")
        assert count is not None
        assert count.value == read
        values = {one.object: one.value for one in sight.counters if one.channel == "total"}
        assert values == {f"{LIFE}.1.1": first, f"{LIFE}.1.2": second}
        assert count.object in values


@pytest.mark.parametrize(
    "unknown",
    [
        *(small(value) for value in (-1, -2, -3)),
        *(small(2**32 - step) for step in (1, 2, 3)),
        *((0x41, (2**32 - step).to_bytes(5, "big")) for step in (1, 2, 3)),
        *((0x46, (2**64 - step).to_bytes(9, "big")) for step in (1, 2, 3)),
    ],
)
async def test_a_count_that_is_not_known_is_absent_now_and_not_refused_for_good(unknown: tuple[int, bytes]) -> None:
    # RFC 3805 section 6: -1 other, -2 unknown, -3 some remains
    agent = MibAgent(of_maker("11.2.3.9.1", {f"{HP}.22.0": small(3)}, count=764))
    async with a_meter() as meter, mib_agent(agent) as raw:
        for _ in range(2):
            agent.mib[f"{LIFE}.1.1"] = unknown
            asleep = failure(await meter.read(raw.target(), 2.0))
            assert asleep.reason is SilenceReason.ASLEEP
            assert "its count is unknown" in asleep.detail
            agent.mib[f"{LIFE}.1.1"] = counter(764)
            assert total(await meter.read(raw.target(), 2.0)) == 764
        discoveries = meter.stats.discoveries
        agent.mib[f"{HP}.22.0"] = unknown
        without = reading(await meter.read(raw.target(), 2.0)).sight
        assert (without.channels, [one.channel for one in without.counters]) == (("total",), ["total"])
        assert (meter.stats.discoveries, meter.stats.undecodable) == (discoveries, 0)


async def test_a_counter_of_64_bits_does_not_wrap_at_32() -> None:
    agent = MibAgent(printer_mib() | {f"{LIFE}.1.1": (0x46, (2**32 + 7).to_bytes(6, "big"))})
    async with a_meter() as meter, mib_agent(agent) as raw:
        count = reading(await meter.read(raw.target(), 2.0)).sight.count("total")
        assert count is not None
        assert (count.value, count.modulus) == (2**32 + 7, 0)


@pytest.mark.parametrize("serial", ["00000000", "N/A", "XXXXXXXXXX", "   ", "unknown", "0", "--------"])
async def test_a_serial_number_that_many_share_proves_nothing_and_says_so(serial: str) -> None:
    agent = MibAgent(printer_mib() | {f"{SERIAL_COLUMN}.1": text(serial)})
    async with a_meter() as meter, mib_agent(agent) as raw:
        seen = await meter.inspect(raw.target(), 2.0)
        assert seen.reading is not None
        assert (seen.reading.sight.serial, seen.identity.serial) == ("", "")
        assert any("many devices share" in note for note in seen.notes) == bool(serial.strip())
        # An entry with such a number refuses nobody, nor does one with a real number: nothing is contradicted.
        assert total(await meter.read(raw.target("p2", serial=serial), 2.0)) == 764
        assert total(await meter.read(raw.target("p3", serial="PS-0001"), 2.0)) == 764


def konica() -> MibAgent:
    sides = {f"{KONICA}.2.1.5.{a}.{b}": small(10 * a + b) for a in (1, 2) for b in (1, 2)}
    return MibAgent(of_maker("18334.1.1.1.2.1.181.2.4", {f"{KONICA}.1.1.0": small(66), **sides}, count=66))


@pytest.mark.parametrize("names_max", [24, 9, 6, 5])
async def test_the_parts_of_a_sum_come_in_one_answer_and_are_kept(names_max: int) -> None:
    agent = konica()
    agent.names_max = names_max
    async with a_meter() as meter, mib_agent(agent) as raw:
        for _ in range(3):
            sight = reading(await meter.read(raw.target(), 4.0)).sight
        agent.requests.clear()
        assert reading(await meter.read(raw.target(), 4.0)).sight == sight
        asked = [request.names for request in agent.requests]
    for channel in ("mono", "colour", "prints", "copies"):
        parts = [one for one in sight.counters if one.channel == channel]
        count = sight.count(channel)
        if count is None:
            continue
        assert all(one.part for one in parts)
        assert sum(one.value for one in parts) == count.value
    assert sight.count("mono") is not None
    assert (len(asked) == 1) == (names_max == 24)


async def test_a_sum_that_no_answer_holds_is_not_made() -> None:
    agent = konica()
    agent.names_max = 1
    async with a_meter() as meter, mib_agent(agent) as raw:
        for _ in range(2):
            sight = reading(await meter.read(raw.target(), 4.0)).sight
            assert sight.channels == ("total",)


async def test_a_registrys_unit_counts_and_hides_nothing() -> None:
    async with a_meter() as meter, mib_agent(MibAgent(printer_mib(unit=8))) as raw:
        target = raw.target(unit=Unit.IMPRESSIONS)
        seen = await meter.inspect(target, 2.0)
        assert any(
            "the registry says that the total counts impressions, the agent says sheets(8)" in n for n in seen.notes
        )
        sight = reading(await meter.read(target, 2.0)).sight
        count = sight.count("total")
        assert count is not None
        assert (count.unit, count.grade) == (Unit.IMPRESSIONS, UnitGrade.PROVEN)
        assert [(one.unit, one.grade) for one in sight.counters] == [(Unit.SHEETS, UnitGrade.SAID)]


async def test_a_lying_unit_is_noted() -> None:
    agent = MibAgent(of_maker("11.2.3.9.1", {f"{HP}.22.0": small(900)}, count=1000))
    async with a_meter() as meter, mib_agent(agent) as raw:
        seen = await meter.inspect(raw.target(), 2.0)
    assert "its total is said to count impressions, yet its two-sided pages make it sheets" in seen.notes


async def test_two_totals_that_disagree_draw_a_note_and_both_are_kept() -> None:
    agent = MibAgent(of_maker("11.2.3.9.1", {f"{HP}.5.0": small(15_232)}, count=5000))
    async with a_meter() as meter, mib_agent(agent) as raw:
        seen = await meter.inspect(raw.target(), 2.0)
    assert any(note.startswith("two totals disagree: 5000 (Printer-MIB) is read") for note in seen.notes)
    assert seen.reading is not None
    assert [(one.source, one.value) for one in seen.reading.sight.counters] == [("Printer-MIB", 5000), ("hp", 15_232)]


def imaging_agent() -> LightAgent:
    """A device with two print services, copies and received faxes; the imaging counters stand beside LifeCount."""
    prints = {
        DATASTREAM: WorkDone(mono=1500, blank=40, colour=460, two_sided=1600, sheets=1200),
        AUXILIARY: WorkDone(mono=70, sheets=70),
        WASTE: WorkDone(mono=9, sheets=9),
        MAINTENANCE: WorkDone(colour=21, sheets=21),
    }
    services = [
        ServiceDone(PRINT, 1, 12, prints),
        ServiceDone(PRINT, 2, 13, {DATASTREAM: WorkDone(mono=100, sheets=100)}),
        ServiceDone(COPY, 1, 14, {DATASTREAM: WorkDone(mono=300, sheets=300)}),
        ServiceDone(FAX_IN, 1, 15, {DATASTREAM: WorkDone(mono=50, sheets=50)}),
        ServiceDone(SCAN, 1, 16, {}),
    ]
    rows = system_rows("an imaging device", (1, 3, 6, 1, 4, 1, 99999, 1, 7), 1000, "d")
    rows += [
        Row((*HR_PRINTER, 1, 1), "integer", 3),
        Row((*PRT_GENERAL, 1, 1), "counter", 1),
        Row((*LIFE_COUNT, 1, 1), "counter", 2550),
        Row((*PRT_MARKER, 5, 1, 1), "counter", 4),
    ]
    return LightAgent("public", [*rows, *imaging_rows(services, 5, ("icImpressionsTotalImps",))])


async def test_the_imaging_counters_in_full() -> None:
    agent = imaging_agent()

    def handle(data: bytes, source: Peer, raw: RawAgent) -> None:
        answer = agent.answer(data)
        if answer is not None:
            raw.send(answer, source)

    async with a_meter() as meter, raw_agent(handle) as raw:
        seen = await meter.inspect(raw.target(), 5.0)
        sight = reading(await meter.read(raw.target(), 5.0)).sight
        before = len(raw.received)
        await meter.read(raw.target(), 5.0)
        # All of it in one datagram each way.
        assert len(raw.received) == before + 1
    values = {one.name: one.value for one in seen.channels}
    assert values == {
        "total": 2550,
        "prints": 2200,
        "copies": 300,
        "faxes": 50,
        "auxiliary": 70,
        "waste": 9,
        "maintenance": 21,
        "duplex": 1600,
        "sheets": 1750,
        "mono": 2029,
        "colour": 481,
        "blank": 40,
    }
    assert "its alert table says that the counter icImpressionsTotalImps was reset" in seen.notes
    # LifeCount says no unit: what equals it, and sheets that are fewer, say that it counts sides.
    count = sight.count("total")
    assert count is not None
    assert (count.value, count.unit, count.grade) == (2550, Unit.IMPRESSIONS, UnitGrade.SAID)
    assert len(sight.counters) <= min(COUNTERS_MAX, NAMES_MAX)
    assert {one.source for one in sight.counters} == {"Printer-MIB", "PWG 5106.3"}
    assert sum(one.value for one in sight.counters if one.channel == "datastream") == 2100
    # Prints are two services' sum, with its parts: the second knows no other work than users' content.
    assert [one.value for one in sight.counters if one.channel == "prints"] == [2100, 100]
    house = {name: sight.count(name) for name in ("auxiliary", "waste", "maintenance")}
    assert [count and count.value for count in house.values()] == [70, 9, 21]
