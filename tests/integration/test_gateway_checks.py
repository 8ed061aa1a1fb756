"""The gateway's own sign of life in the running daemon: the box is down, or the printer behind it is off."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import closing, suppress
from pathlib import Path

import pytest

from pagereeve.app.daemon import App
from pagereeve.cli import status_of
from pagereeve.meters.gateway_probe import NetworkProbe
from pagereeve.ports.gateways import GatewayCheck
from tests.findings import lines_of, text_of
from tests.integration.daemon import Outside, until
from tests.integration.reloading import Site, hung_up, running, site_in
from tests.snmp_agents import MachineClock, MibAgent, SeededEntropy, mib_agent, router_mib

PRINTERS = ("fleet-0001", "fleet-0002")


@pytest.fixture
async def site(tmp_path: Path) -> AsyncIterator[Site]:
    async with site_in(tmp_path) as one:
        for name in PRINTERS:
            one.has(name, 'gateway = "gate-1"')
        yield one


async def box(port: int = 0) -> asyncio.Server:
    """Something that accepts connections, as a gateway's own service does."""

    async def accepted(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.close()
        with suppress(OSError):
            await writer.wait_closed()

    return await asyncio.start_server(accepted, "127.0.0.1", port)


def port_of(server: asyncio.Server) -> int:
    return int(server.sockets[0].getsockname()[1])


def checked(port: int) -> str:
    return f'[[gateways]]\nname = "gate-1"\ncheck = "127.0.0.1:{port}"\n'


async def failing(app: App, *names: str) -> None:
    async def look() -> bool | None:
        return all(app.registry.watchers[name].schedule.failures >= 3 for name in names) or None

    await until(look, f"three failed reads of {names}")


async def open_kinds(app: App) -> list[tuple[str, str]]:
    return [(one.kind, one.printer or one.place) for one in await app.store.findings(only_open=True)]


async def test_the_gateway_down_is_one_finding_and_a_printer_off_behind_one_that_answers_is_its_own(
    site: Site, capsys: pytest.CaptureFixture[str]
) -> None:
    server = await box()
    port = port_of(server)
    site.more = '[[gateways]]\nname = "gate-1"\n'
    async with running(site) as (app, outside):
        # A check is taken over by a reload.
        site.more = checked(port)
        site.write()
        await hung_up(app)
        await asyncio.gather(*(outside.first_reading(name) for name in PRINTERS))
        await asyncio.gather(*(outside.started(f"r-{name}", name, 3) for name in PRINTERS))
        # The gateway is off: nothing behind it answers either.
        server.close()
        for name in PRINTERS:
            site.fleet.printers[name].silent = True
        await failing(app, *PRINTERS)
        down = await outside.finding("gateway-down", "")
        assert f"gateway gate-1 does not answer (tcp 127.0.0.1:{port})" in text_of(down)
        assert await open_kinds(app) == [("gateway-down", "gateway gate-1")]
        assert 'pagereeve_gateway_up{gateway="gate-1"} 0.0' in await outside.metrics()
        assert await asyncio.to_thread(status_of, ["doctor", "--config", str(site.config)]) == 1
        shown = capsys.readouterr().out
        assert "Gateway gate-1 does not answer; behind: fleet-0001, fleet-0002." in shown
        assert "sent no reading" not in shown
        assert "stopped answering" not in shown
        # It comes back, and so does one of the two printers.
        server = await box(port)
        site.fleet.printers[PRINTERS[0]].silent = False
        silent = await outside.finding("meter-silent", PRINTERS[1])
        assert "the gateway answers" in text_of(silent)
        assert any("while its gateway answers" in line for line in lines_of(silent))
        await is_over(outside, "gateway-down")
        assert 'pagereeve_gateway_up{gateway="gate-1"} 1.0' in await outside.metrics()
        assert [one for one in await open_kinds(app) if one[0] == "meter-silent"] == [("meter-silent", PRINTERS[1])]
        server.close()
    # The rows follow from the facts alone.
    assert await asyncio.to_thread(status_of, ["replay", "--check", "--config", str(site.config)]) == 0
    assert "nothing differs" in capsys.readouterr().out


async def is_over(outside: Outside, kind: str) -> None:
    async def look() -> bool | None:
        found = await outside.app.store.findings(only_open=False)
        return all(one.state == "closed" for one in found if one.kind == kind) or None

    await until(look, f"the end of {kind}")


async def test_a_sign_of_life_is_a_connection_or_an_answer_of_the_boxs_own_agent() -> None:
    probe = NetworkProbe(MachineClock(), SeededEntropy())
    server = await box()
    assert await probe.why_not(GatewayCheck("g", "127.0.0.1", port_of(server)), 1.0) == ""
    server.close()
    await server.wait_closed()
    assert "no connection" in await probe.why_not(GatewayCheck("g", "127.0.0.1", port_of_none()), 1.0)
    async with mib_agent(MibAgent(router_mib())) as raw:
        asked = GatewayCheck("g", "127.0.0.1", raw.port, "snmp")
        assert await probe.why_not(asked, 1.0) == ""
    assert "127.0.0.1" in await probe.why_not(asked, 0.5)
    assert "printer.invalid" in await probe.why_not(GatewayCheck("g", "printer.invalid", 161, "snmp"), 1.0)
    await probe.close()


def port_of_none() -> int:
    with closing(socket.socket()) as gone:
        gone.bind(("127.0.0.1", 0))
        return int(gone.getsockname()[1])
