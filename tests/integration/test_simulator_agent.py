"""Simulated agents, asked by two independent managers: net-snmp's tools and pysnmp."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.simulator.printer.model import PrinterSpec, PrintJob
from pagereeve.simulator.printer.print_engine import PrintEngine
from pagereeve.simulator.site.gateway import Gateway
from pagereeve.simulator.snmp.agent import Address, PrinterAgent

COMMUNITY = "sim-read"
LIFE_COUNT = "1.3.6.1.2.1.43.10.2.1.4.3.2"
HR_DEVICE_TYPE = "1.3.6.1.2.1.25.3.2.1.2"
SPEC = PrinterSpec("p", serial="SIM-42", start_count=500, impressions_per_minute=6_000, first_sheet_us=1_000)


@asynccontextmanager
async def standing_agent(spec: PrinterSpec = SPEC) -> AsyncIterator[tuple[PrintEngine, PrinterAgent]]:
    clock = SystemClock()
    engine = PrintEngine(spec, seed=1, at_us=clock.now_us())
    agent = PrinterAgent(engine, clock, community=COMMUNITY, device_index=3, marker_index=2)
    await agent.start()
    try:
        yield engine, agent
    finally:
        await agent.stop()


async def net_snmp(
    tool: str, address: Address, *oids: str, version: str = "2c", community: str = COMMUNITY
) -> tuple[int, str]:
    host, port = address
    options = ("-v", version, "-c", community, "-On", "-t", "1", "-r", "0", f"udp:{host}:{port}")
    try:
        process = await asyncio.create_subprocess_exec(
            tool, *options, *oids, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT
        )
    except FileNotFoundError:
        pytest.fail(f"{tool} is missing: install the Debian package snmp")
    output, _ = await process.communicate()
    return process.returncode or 0, output.decode()


@pytest.mark.parametrize("version", ["1", "2c"])
async def test_snmpget_sees_the_count_the_unit_and_the_identity_move_with_the_engine(version: str) -> None:
    async with standing_agent() as (engine, agent):
        engine.submit(PrintJob("j", 7), SystemClock().now_us())
        await asyncio.sleep(0.15)
        status, output = await net_snmp(
            "snmpget",
            agent.address,
            LIFE_COUNT,
            "1.3.6.1.2.1.43.10.2.1.3.3.2",
            "1.3.6.1.2.1.43.5.1.1.17.3",
            "1.3.6.1.2.1.25.3.5.1.1.3",
            "1.3.6.1.2.1.1.2.0",
            version=version,
        )
    assert status == 0
    lines = output.splitlines()
    assert lines[0] == f".{LIFE_COUNT} = Counter32: 507"
    assert lines[1].endswith("INTEGER: 7")
    assert lines[2].endswith('STRING: "SIM-42"')
    assert lines[3].endswith("INTEGER: 3")
    assert lines[4].endswith("OID: .1.3.6.1.4.1.32473.7.1")


@pytest.mark.parametrize("version", ["1", "2c"])
async def test_snmpwalk_goes_through_the_whole_agent_in_order_and_ends(version: str) -> None:
    async with standing_agent() as (_, agent):
        status, output = await net_snmp("snmpwalk", agent.address, "1.3.6.1.2.1", version=version)
    assert status == 0, output
    names = [
        tuple(int(arc) for arc in line.split(" = ")[0][1:].split("."))
        for line in output.splitlines()
        if "No more variables" not in line and line.startswith(".1.3.6.1.2.1.")
    ]
    assert names == sorted(names)
    assert len(names) == 32
    assert f".{LIFE_COUNT} = Counter32: 500" in output


async def test_snmpbulkwalk_finds_the_printer_among_the_devices() -> None:
    async with standing_agent() as (_, agent):
        status, output = await net_snmp("snmpbulkwalk", agent.address, HR_DEVICE_TYPE)
    assert status == 0
    # hrDevicePrinter is 1.3.6.1.2.1.25.3.1.5 (RFC 2790 section 4); device 1 is a network interface.
    assert f".{HR_DEVICE_TYPE}.3 = OID: .1.3.6.1.2.1.25.3.1.5" in output
    assert f".{HR_DEVICE_TYPE}.1 = OID: .1.3.6.1.2.1.25.3.1.4" in output


async def test_what_is_not_there_is_absent_in_v2c_and_an_error_in_v1() -> None:
    async with standing_agent() as (_, agent):
        _, second = await net_snmp("snmpget", agent.address, LIFE_COUNT, "1.3.6.1.2.1.43.10.2.1.4.1.1")
        _, first = await net_snmp("snmpget", agent.address, LIFE_COUNT, "1.3.6.1.2.1.43.10.2.1.4.1.1", version="1")
        _, written = await net_snmp("snmpset", agent.address, "1.3.6.1.2.1.43.5.1.1.17.3", "s", "other")
    assert "Counter32: 500" in second
    assert "No Such Instance" in second
    assert "noSuchName" in first
    assert "Failed object: .1.3.6.1.2.1.43.10.2.1.4.1.1" in first
    assert "notWritable" in written


async def test_a_foreign_community_and_noise_get_no_answer() -> None:
    async with standing_agent() as (_, agent):
        status, output = await net_snmp("snmpget", agent.address, LIFE_COUNT, community="another")
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as noise:
            for datagram in (b"", b"\x30", b"\x30\x82\xff\xff", bytes(range(256)), b"\x30\x03\x02\x01\x63"):
                noise.sendto(datagram, agent.address)
        await asyncio.sleep(0.05)
        assert (status, "Timeout" in output) == (1, True)
        assert (agent.counts.refused, agent.counts.answers) == (6, 0)


async def test_a_silent_printer_says_nothing() -> None:
    async with standing_agent() as (engine, agent):
        engine.silence(SystemClock().now_us(), 60_000_000)
        status, output = await net_snmp("snmpget", agent.address, LIFE_COUNT)
        assert (status, "Timeout" in output) == (1, True)
        assert agent.counts.unheard == 1


async def test_pysnmp_reads_the_same_figure() -> None:
    from pysnmp.hlapi.v3arch import asyncio as hlapi  # noqa: PLC0415 - a heavy import, for this test only

    async with standing_agent() as (_, agent):
        manager = hlapi.SnmpEngine()
        transport = await hlapi.UdpTransportTarget.create(agent.address, timeout=2, retries=0)
        wanted = hlapi.ObjectType(hlapi.ObjectIdentity(LIFE_COUNT))
        failed, status, _, found = await hlapi.get_cmd(
            manager, hlapi.CommunityData(COMMUNITY), transport, hlapi.ContextData(), wanted, lookupMib=False
        )
        manager.close_dispatcher()
    assert (failed, int(status), int(found[0][1])) == (None, 0, 500)


async def test_requests_that_overlap_are_counted() -> None:
    clock = SystemClock()
    agent = PrinterAgent(PrintEngine(SPEC, 1, clock.now_us()), clock, community=COMMUNITY, answer_after_s=0.1)
    await agent.start()
    await asyncio.gather(*(net_snmp("snmpget", agent.address, "1.3.6.1.2.1.1.3.0") for _ in range(2)))
    counts = agent.counts
    await agent.stop()
    assert (counts.overlapping, counts.answers) == (1, 2)


async def test_a_gateway_relays_the_printers_answers_until_its_own_agent_answers_there() -> None:
    clock = SystemClock()
    gateway = Gateway("g", clock, community=COMMUNITY)
    await gateway.start()
    async with standing_agent() as (_, agent):
        forward = await gateway.forward("p", ("127.0.0.1", 9), agent.address)
        outer = forward.snmp_relay.address
        _, relayed = await net_snmp("snmpget", outer, LIFE_COUNT)
        gateway.drop_snmp_forward("p")
        _, own = await net_snmp("snmpget", outer, LIFE_COUNT, "1.3.6.1.2.1.1.2.0")
        gateway.snmp_down("p")
        _, down = await net_snmp("snmpget", outer, LIFE_COUNT)
        gateway.mend("p")
        gateway.slow("p", 0.05)
        _, mended = await net_snmp("snmpget", outer, LIFE_COUNT)
        _, aside = await net_snmp("snmpwalk", gateway.own_agent.address, "1.3.6.1.2.1.43")
    await gateway.stop()
    assert "Counter32: 500" in relayed
    assert "No Such Instance" in own
    assert "OID: .1.3.6.1.4.1.32473.9.1" in own
    assert "Timeout" in down
    assert "Counter32: 500" in mended
    assert "Counter32" not in aside
