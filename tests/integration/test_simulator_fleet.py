"""A fleet of light agents on real sockets, read by net-snmp."""

from __future__ import annotations

import asyncio
import subprocess
import time

from pagereeve.app.clocks import SystemClock
from pagereeve.simulator.college.fleet import Fleet

LIFE_COUNT = "1.3.6.1.2.1.43.10.2.1.4.1.1"


async def test_five_hundred_printers_stand_up_quickly_and_each_answers_with_its_own_count() -> None:
    began_s = time.monotonic()
    fleet = Fleet(500, SystemClock())
    await fleet.start()
    assert time.monotonic() - began_s < 5
    addresses = fleet.addresses()
    assert len(set(addresses.values())) == 500
    fleet.printers["fleet-0007"].mark(5)
    fleet.printers["fleet-0007"].show_printing(printing=True)
    output = await asyncio.to_thread(walk, addresses["fleet-0007"])
    await fleet.stop()
    assert f".{LIFE_COUNT} = Counter32: 12" in output
    assert ".1.3.6.1.2.1.25.3.5.1.1.1 = INTEGER: 4" in output
    assert 'STRING: "FL-000007"' in output
    assert fleet.printers["fleet-0007"].answers > 20
    assert fleet.printers["fleet-0008"].answers == 0


def walk(address: tuple[str, int]) -> str:
    target = "udp:{}:{}".format(*address)
    return subprocess.run(
        ["snmpwalk", "-v", "2c", "-c", "public", "-On", target, "1.3.6.1.2.1"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout
