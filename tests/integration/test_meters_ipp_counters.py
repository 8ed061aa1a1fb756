"""A printer's own counters over IPP as its meter: what is billed, what it says of itself, and what is refused."""

from __future__ import annotations

import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemEntropy
from pagereeve.domain.facts.reading import Failure, PrinterState, Reading, SilenceReason, Unit, UnitGrade
from pagereeve.meters.doors import MeterDoors
from pagereeve.ports.inspection import Inspection
from pagereeve.ports.meter import MeterTarget
from pagereeve.reports.inspection import inspection_json, inspection_text
from tests.integration.ipp_peers import eve_printer, free_tcp_port, server
from tests.integration.ipp_printer import UUID, IppPrinter
from tests.snmp_agents import MachineClock


@asynccontextmanager
async def meters() -> AsyncIterator[MeterDoors]:
    meter = MeterDoors.of(MachineClock(), SystemEntropy())
    try:
        yield meter
    finally:
        await meter.close()


async def read_at(printer: IppPrinter, *, serial: str = "", unit: Unit | None = None) -> Reading | Failure:
    async with server(printer) as port, meters() as meter:
        return await meter.read(MeterTarget("p", "127.0.0.1", ipp_port=port, meter="ipp", serial=serial, unit=unit), 5)


async def test_impressions_are_the_total_and_their_unit_is_said() -> None:
    result = await read_at(IppPrinter())
    assert isinstance(result, Reading)
    ((channel, count),) = result.sight.counts
    assert (channel, count.value, count.unit, count.grade) == ("total", 1_000, Unit.IMPRESSIONS, UnitGrade.SAID)
    assert count.object == "ipp:printer-impressions-completed"
    assert [(one.channel, one.value, one.unit.value) for one in result.sight.counters] == [
        ("total", 1_000, "impressions"),
        ("sheets", 700, "sheets"),
        ("pages", 900, "unknown"),
    ]
    assert (result.sight.serial, result.uptime_cs) == ("EXAMPLE-0001", 5_000_000)
    assert result.sight.responder.startswith("ipp://127.0.0.1:")
    assert {one.source for one in result.sight.counters} == {"PWG 5100.22"}


async def test_sheets_are_the_meter_where_no_impressions_are_said_and_pages_never_are() -> None:
    result = await read_at(IppPrinter(impressions=None))
    assert isinstance(result, Reading)
    assert [(name, one.value, one.unit) for name, one in result.sight.counts] == [("sheets", 700, Unit.SHEETS)]
    refused = await read_at(IppPrinter(impressions=None, sheets=-2))
    assert isinstance(refused, Failure)
    assert refused.reason is SilenceReason.NO_METER


async def test_a_unit_that_was_proven_goes_before_the_attributes_definition() -> None:
    result = await read_at(IppPrinter(), unit=Unit.SHEETS)
    assert isinstance(result, Reading)
    count = result.sight.count("total")
    assert count is not None
    assert (count.unit, count.grade) == (Unit.SHEETS, UnitGrade.PROVEN)
    # What the printer says stays beside it.
    assert next(one for one in result.sight.counters if one.channel == "total").unit is Unit.IMPRESSIONS


@pytest.mark.parametrize(
    ("serial", "device_id", "other"),
    [
        ("EXAMPLE-0001", "SN:EXAMPLE-0001;", False),
        ("EXAMPLE-0002", "MFG:Example;SN:EXAMPLE-0001;", True),
        (UUID, "SN:EXAMPLE-0001;", False),
        (UUID.replace("0", "1"), "SN:EXAMPLE-0001;", True),
        # A serial number that is not said contradicts nothing.
        ("EXAMPLE-0002", "MFG:Example;", False),
    ],
)
async def test_another_printer_is_a_wrong_device(serial: str, device_id: str, *, other: bool) -> None:
    result = await read_at(IppPrinter(device_id=device_id), serial=serial)
    assert isinstance(result, Failure) is other
    if isinstance(result, Failure):
        assert result.reason is SilenceReason.WRONG_DEVICE


@pytest.mark.parametrize(
    ("number", "reasons", "state", "errors"),
    [
        (3, ("none",), PrinterState.IDLE, ()),
        (4, ("toner-low-report",), PrinterState.PRINTING, ("lowToner",)),
        # A second tray is empty, and the printer goes on.
        (3, ("media-empty-warning", "media-low"), PrinterState.IDLE, ("lowPaper",)),
        (5, ("media-jam-error", "cover-open"), PrinterState.OTHER, ("doorOpen", "jammed")),
        (5, ("paused",), PrinterState.OTHER, ("offline",)),
    ],
)
async def test_a_state_is_told_in_the_words_of_readings(
    number: int, reasons: tuple[str, ...], state: PrinterState, errors: tuple[str, ...]
) -> None:
    result = await read_at(IppPrinter(state=number, reasons=reasons))
    assert isinstance(result, Reading)
    assert (result.sight.state, result.sight.errors) == (state, errors)
    assert result.sight.resting is (number == 3)


async def test_impressions_that_are_unknown_for_a_while_are_not_replaced_by_sheets() -> None:
    printer = IppPrinter()
    async with server(printer) as port, meters() as meter:
        target = MeterTarget("p", "127.0.0.1", ipp_port=port, meter="ipp")
        assert isinstance(await meter.read(target, 5), Reading)
        printer.impressions = -2
        for sheets in (700, None):
            printer.sheets = sheets
            asleep = await meter.read(target, 5)
            assert isinstance(asleep, Failure)
            assert asleep.reason is SilenceReason.ASLEEP
        printer.impressions = 1_003
        assert isinstance(await meter.read(target, 5), Reading)


async def test_silence_has_its_kinds_over_ipp_too() -> None:
    async with meters() as meter:
        target = MeterTarget("p", "127.0.0.1", ipp_port=free_tcp_port(), meter="ipp")
        refused = await meter.read(target, 5)
        unknown = await meter.read(MeterTarget("q", "no-such-host.invalid", ipp_port=631, meter="ipp"), 5)
    assert isinstance(refused, Failure)
    assert isinstance(unknown, Failure)
    assert (refused.reason, unknown.reason) == (SilenceReason.REFUSED, SilenceReason.NAME_NOT_FOUND)
    assert meter.telemetry().reads == {"refused": 1, "name-not-found": 1}


async def looked_over(target: MeterTarget) -> Inspection:
    async with meters() as meter:
        return await meter.inspect(target, 1.5)


async def test_a_silent_agent_beside_an_ipp_count_is_told_what_to_write() -> None:
    async with server(IppPrinter()) as port:
        seen = await looked_over(MeterTarget("p", "127.0.0.1", free_tcp_port(), ipp_port=port))
        chosen = await looked_over(MeterTarget("p", "127.0.0.1", free_tcp_port(), ipp_port=port, meter="ipp"))
    assert 'meter = "ipp"' in inspection_text(seen)
    assert "By IPP, beside it" in inspection_text(seen)
    shown = inspection_json(chosen)
    assert (shown["door"], shown["usable"], shown["beside"]["door"], shown["beside"]["usable"]) == (
        "ipp",
        True,
        "snmp",
        False,
    )
    (total,) = shown["channels"]
    assert (total["value"], total["unit"], total["unit_grade"]) == (1_000, "impressions", "said")
    assert [one["name"] for one in shown["witnesses"]] == ["sheets", "pages"]


async def test_a_read_without_a_count_says_that_ipp_has_one_and_asks_ipp_once() -> None:
    printer = IppPrinter()
    async with server(printer) as port, meters() as meter:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as silent:
            silent.bind(("127.0.0.1", 0))
            target = MeterTarget("p", "127.0.0.1", silent.getsockname()[1], ipp_port=port)
            details = [await meter.read(target, 0.6) for _ in range(2)]
    assert [isinstance(one, Failure) and 'meter = "ipp"' in one.detail for one in details] == [True, True]
    assert len(printer.asked) == 1


async def test_cups_own_printer_has_no_count_and_tells_of_its_jobs(tmp_path: Path) -> None:
    with eve_printer(tmp_path) as port:
        seen = await looked_over(MeterTarget("p", "localhost", free_tcp_port(), ipp_port=port, meter="ipp"))
    assert seen.failure is not None
    assert seen.failure.reason is SilenceReason.NO_METER
    assert seen.identity.serial.startswith("urn:uuid:")
    assert seen.notes == ("tells of its print jobs (RFC 8011): none is listed now",)
    assert "printer-impressions-completed" in inspection_text(seen)
