"""The reader against Debian's snmpd, alone and behind a gateway, with net-snmp's own client as the second witness."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Literal

from pagereeve.domain.facts.reading import Failure, PrinterState, Reading, SilenceReason, Unit
from pagereeve.meters.reader import SnmpMeter
from pagereeve.ports.meter import MeterTarget
from tests.integration.foreign import COMMUNITY, PrinterObjects, Snmpd, free_port, snmpget
from tests.integration.netns import Gateway
from tests.integration.rawport import PRINT_PORT, print_port, printed
from tests.snmp_agents import LIFE, PRINTER_OBJECT_ID, ROUTER_OBJECT_ID, MachineClock, SeededEntropy

SNMP_FORWARDED = 1161


@asynccontextmanager
async def a_meter() -> AsyncIterator[SnmpMeter]:
    meter = SnmpMeter.of(MachineClock(), SeededEntropy())
    try:
        yield meter
    finally:
        await meter.close()


def at(host: str, port: int, version: Literal["1", "2c"] = "2c", printer: str = "p1") -> MeterTarget:
    return MeterTarget(printer=printer, host=host, port=port, version=version, community=COMMUNITY)


def total(result: Reading | Failure) -> int:
    assert isinstance(result, Reading), result
    count = result.sight.count("total")
    assert count is not None
    return count.value


async def test_a_foreign_agent_is_read_as_its_own_client_reads_it(tmp_path: Path) -> None:
    port = free_port()
    objects = PrinterObjects(tmp_path / "objects", count=40_000, device=1)
    with Snmpd(tmp_path / "snmpd", object_id=PRINTER_OBJECT_ID, listen=f"127.0.0.1:{port}", objects=objects):
        async with a_meter() as meter:
            for version in ("1", "2c"):
                target = at("127.0.0.1", port, "1" if version == "1" else "2c", f"p{version}")
                for count in (40_000, 40_007, 2**31 + 5, 2**32 - 4):
                    objects.write(count=count)
                    result = await meter.read(target, 5.0)
                    assert total(result) == count
                    assert snmpget(f"127.0.0.1:{port}", f"{LIFE}.1.1", version) == str(count)
                assert isinstance(result, Reading)
                assert result.sight.object_id == PRINTER_OBJECT_ID
                assert result.sight.serial == "PR-TEST-0001"
                assert result.sight.state is PrinterState.IDLE
                assert result.uptime_cs is not None
            assert meter.stats.non_conforming == 0
            assert meter.stats.undecodable == 0


async def test_a_foreign_agents_state_unit_and_index_are_seen(tmp_path: Path) -> None:
    port = free_port()
    objects = PrinterObjects(tmp_path / "objects", device=5, unit=8, status=4)
    with Snmpd(tmp_path / "snmpd", object_id=PRINTER_OBJECT_ID, listen=f"127.0.0.1:{port}", objects=objects):
        async with a_meter() as meter:
            first = await meter.read(at("127.0.0.1", port), 5.0)
            assert isinstance(first, Reading)
            count = first.sight.count("total")
            assert count is not None
            assert (count.value, count.unit, first.sight.state) == (1000, Unit.SHEETS, PrinterState.PRINTING)
            objects.write(unit=11)
            refused = await meter.read(at("127.0.0.1", port), 5.0)
            assert isinstance(refused, Failure)
            assert refused.reason is SilenceReason.UNIT_NOT_USABLE
            assert "hours(11)" in refused.detail


async def test_a_wrong_community_is_silence(tmp_path: Path) -> None:
    # home-assistant/home-assistant.io#41563: SNMP that is turned off is silent, as a sleeper is
    port = free_port()
    objects = PrinterObjects(tmp_path / "objects")
    with Snmpd(tmp_path / "snmpd", object_id=PRINTER_OBJECT_ID, listen=f"127.0.0.1:{port}", objects=objects):
        async with a_meter() as meter:
            refused = await meter.read(MeterTarget("p1", "127.0.0.1", port, community="another"), 0.6)
            assert isinstance(refused, Failure)
            assert refused.reason is SilenceReason.TIMEOUT


async def test_a_printer_behind_a_gateway_is_read_and_the_box_is_told_from_it(tmp_path: Path) -> None:
    # librenms/librenms#2427, openwrt/packages#7980: several devices behind one address; the gateway answers for itself
    objects = PrinterObjects(tmp_path / "objects", count=500)
    with Gateway() as gateway:
        gateway.forward("udp", SNMP_FORWARDED, 161)
        gateway.forward("tcp", PRINT_PORT, PRINT_PORT)
        behind = Snmpd(
            tmp_path / "printer",
            object_id=PRINTER_OBJECT_ID,
            listen="0.0.0.0:161",
            objects=objects,
            spawn=gateway.inside,
        )
        box = Snmpd(tmp_path / "box", object_id=ROUTER_OBJECT_ID, listen=f"{gateway.address}:161", spawn=gateway.on_box)
        with behind, box:
            gateway.inside(print_port(objects.path))
            async with a_meter() as meter:
                target = at(gateway.address, SNMP_FORWARDED)
                before = total(await meter.read(target, 5.0))
                await printed(gateway.address, 7)
                after = total(await meter.read(target, 5.0))
                assert (before, after) == (500, 507)
                assert snmpget(f"{gateway.address}:{SNMP_FORWARDED}", f"{LIFE}.1.1") == "507"

                wrong = await meter.read(at(gateway.address, 161, printer="p2"), 5.0)
                assert isinstance(wrong, Failure)
                assert wrong.reason is SilenceReason.WRONG_RESPONDER
                assert ROUTER_OBJECT_ID in wrong.detail
                assert wrong.responder == f"{gateway.address}:161"


async def test_a_gateway_without_the_forward_refuses_and_with_it_answers_again(tmp_path: Path) -> None:
    objects = PrinterObjects(tmp_path / "objects", count=500)
    with Gateway() as gateway:
        behind = Snmpd(
            tmp_path / "printer",
            object_id=PRINTER_OBJECT_ID,
            listen="0.0.0.0:161",
            objects=objects,
            spawn=gateway.inside,
        )
        with behind:
            async with a_meter() as meter:
                target = at(gateway.address, SNMP_FORWARDED)
                refused = await meter.read(target, 2.0)
                assert isinstance(refused, Failure)
                assert refused.reason is SilenceReason.REFUSED
                gateway.forward("udp", SNMP_FORWARDED, 161)
                assert total(await meter.read(target, 5.0)) == 500


async def test_an_old_mapping_of_the_box_is_escaped_by_a_fresh_port(tmp_path: Path) -> None:
    # moby/moby#8795, #53384: the forward is turned to another port while we keep asking.
    objects = PrinterObjects(tmp_path / "objects", count=500)
    with Gateway() as gateway:
        gateway.forward("udp", SNMP_FORWARDED, 9999)
        behind = Snmpd(
            tmp_path / "printer",
            object_id=PRINTER_OBJECT_ID,
            listen="0.0.0.0:161",
            objects=objects,
            spawn=gateway.inside,
        )
        with behind:
            async with a_meter() as meter:
                target = at(gateway.address, SNMP_FORWARDED)
                for _ in range(4):
                    assert isinstance(await meter.read(target, 0.5), Failure)
                gateway.drop_forwards()
                gateway.forward("udp", SNMP_FORWARDED, 161)
                for _ in range(30):
                    result = await meter.read(target, 1.0)
                    if isinstance(result, Reading):
                        break
                    await asyncio.sleep(0.5)
                assert total(result) == 500
                assert meter.stats.port_moves > 3
