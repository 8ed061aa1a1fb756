"""The college, brought up on loopback: printers behind gateways, a release server, and what can happen to them."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import AsyncExitStack
from dataclasses import dataclass, field
from typing import Final, Literal

from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.clock import Clock
from pagereeve.simulator.college.roll import PLACES, CollegePerson, Place, people
from pagereeve.simulator.college.scenario import Planted
from pagereeve.simulator.errors import BadScenario
from pagereeve.simulator.printer.model import MeterUnit, PrintJob, Truth
from pagereeve.simulator.printer.print_engine import PrintEngine
from pagereeve.simulator.printer.print_port import PrintPort
from pagereeve.simulator.site.gateway import Gateway
from pagereeve.simulator.site.release_server import HeldJob, PrinterRoute, ReleaseServer
from pagereeve.simulator.site.sending import send_job
from pagereeve.simulator.snmp.agent import Address, PrinterAgent

COMMUNITY: Final = "wrenfield-read"


@dataclass(frozen=True, slots=True)
class CollegePrinter:
    """How the daemon reaches one printer: through its gateway's address."""

    printer: str
    gateway: str
    site: str
    host: str
    port: int
    print_port: int
    version: Literal["1", "2c"]
    policy: Policy
    community: str = field(repr=False)


@dataclass(frozen=True, slots=True)
class CollegeSettings:
    """Everything a composition root needs to set the daemon up for this college."""

    printers: tuple[CollegePrinter, ...]
    gateways: tuple[str, ...]
    people: tuple[CollegePerson, ...]


@dataclass(frozen=True, slots=True)
class StandingPrinter:
    """One printer of the college, with its gateway."""

    place: Place
    engine: PrintEngine
    agent: PrinterAgent
    port: PrintPort
    gateway: Gateway


class College:
    """``start`` brings it up; then every method is something that happens. Unknown names raise BadScenario."""

    def __init__(
        self, seed: int, clock: Clock, *, places: tuple[Place, ...] = PLACES, ports: Iterable[int] = ()
    ) -> None:
        """``ports``: for each printer those of SNMP and of print data, then one for each gateway's badge lines; the
        system chooses where they are left out.
        """
        self.seed = seed
        self.people = people(seed)
        self.planted: list[Planted] = []
        self._clock = clock
        self._places = places
        self._ports = iter(ports)
        self._stack = AsyncExitStack()
        self._standing: dict[str, StandingPrinter] = {}
        self._gateways: dict[str, Gateway] = {}
        self._badges = {person.login: person.badge for person in self.people}
        self.server = ReleaseServer(clock, badges={person.badge: person.login for person in self.people})

    async def start(self, host: str = "127.0.0.1") -> None:
        """All sockets up; badge lines go straight to the release server until ``point_badges`` says otherwise."""
        try:
            self._stack.push_async_callback(self.server.stop)
            for name in dict.fromkeys(place.gateway for place in self._places):
                await self._raise_gateway(name, host)
            for nth, place in enumerate(self._places):
                await self._raise_printer(nth, place)
            for name, gateway in self._gateways.items():
                await gateway.badges.point(await self.server.listen(name, gateway.line, host, self._port()))
        except BaseException:
            await self.stop()
            raise

    def _port(self) -> int:
        return next(self._ports, 0)

    async def stop(self) -> None:
        await self._stack.aclose()

    async def _raise_gateway(self, name: str, host: str) -> None:
        gateway = Gateway(name, self._clock, community=COMMUNITY)
        self._stack.push_async_callback(gateway.stop)
        await gateway.start(host)
        self._gateways[name] = gateway

    async def _raise_printer(self, nth: int, place: Place) -> None:
        engine = PrintEngine(place.spec, self.seed * 1_000 + nth, self._clock.now_us())
        agent = PrinterAgent(
            engine, self._clock, community=COMMUNITY, device_index=place.device, marker_index=place.marker
        )
        port = PrintPort(engine, self._clock)
        self._stack.push_async_callback(agent.stop)
        self._stack.push_async_callback(port.stop)
        await agent.start()
        await port.start()
        snmp_port, print_port = self._port(), self._port()
        gateway = self._gateways[place.gateway]
        forward = await gateway.forward(place.printer, port.address, agent.address, (print_port, snmp_port))
        self.server.route(PrinterRoute(place.printer, place.gateway, forward.print_relay.address))
        self._standing[place.printer] = StandingPrinter(place, engine, agent, port, gateway)

    # For the composition root

    def settings(self) -> CollegeSettings:
        """Host, port, community and policy of each printer, as they are reached through the gateways."""
        return CollegeSettings(
            printers=tuple(self._settings_of(one) for one in self._standing.values()),
            gateways=tuple(self._gateways),
            people=self.people,
        )

    @staticmethod
    def _settings_of(standing: StandingPrinter) -> CollegePrinter:
        place = standing.place
        forward = standing.gateway.of(place.printer)
        host, port = forward.snmp_relay.address
        return CollegePrinter(
            printer=place.printer,
            gateway=place.gateway,
            site=place.site,
            host=host,
            port=port,
            print_port=forward.print_relay.address[1],
            version=place.version,
            policy=place.policy,
            community=COMMUNITY,
        )

    def badge_address(self, gateway: str) -> Address:
        """Where the release server takes that gateway's badge lines: the far end of a relay."""
        return self.server.badge_address(gateway)

    async def point_badges(self, gateway: str, target: Address) -> None:
        """Send that gateway's badge lines there from now on."""
        await self.gateway(gateway).badges.point(target)

    def point_events(self, url: str, *, gate_s: int = 0, token: str = "") -> None:
        """Send release notices there; ``gate_s`` > 0 waits for the meter reading that long before sending."""
        board = self.server.board
        board.url, board.token, self.server.gate_s = url, token, gate_s

    # What is there

    def printer(self, name: str) -> StandingPrinter:
        if name not in self._standing:
            raise BadScenario(f"{name} is no printer of the college; there are {', '.join(self._standing)}")
        return self._standing[name]

    def gateway(self, name: str) -> Gateway:
        if name not in self._gateways:
            raise BadScenario(f"{name} is no gateway of the college; there are {', '.join(self._gateways)}")
        return self._gateways[name]

    @property
    def printers(self) -> tuple[str, ...]:
        return tuple(self._standing)

    def truth(self) -> dict[str, Truth]:
        """For each printer what its meter should account for: in all, for each release, for each cause."""
        at_us = self._clock.now_us()
        for one in self._standing.values():
            one.engine.advance(at_us)
        return {name: one.engine.total() for name, one in self._standing.items()}

    def resting(self) -> bool:
        """No printer has anything in memory."""
        at_us = self._clock.now_us()
        return not any(one.engine.busy(at_us) for one in self._standing.values())

    # What people do

    def hold(self, job: HeldJob) -> None:
        self.server.hold(job)

    def badge(self, user: str, gateway: str) -> None:
        self.gateway(gateway).present(self.badge_of(user))

    def release_unbadged(self, job: HeldJob) -> None:
        self.server.release_unbadged(job)

    async def print_past_queue(self, printer: str, pages: int) -> None:
        """Somebody sends straight to the printer's forwarded port."""
        address = self.printer(printer).gateway.of(printer).print_relay.address
        job = PrintJob("past-queue", pages, size_bytes=1_000, cause="past-queue")
        outcome = await send_job(address, job)
        if outcome != "completed":
            raise BadScenario(f"printing past the queue on {printer} was {outcome}")

    def copy(self, printer: str, pages: int) -> None:
        self.printer(printer).engine.copy(pages, self._clock.now_us())

    def jam(self, printer: str) -> None:
        self.printer(printer).engine.jam(self._clock.now_us())

    def clear(self, printer: str) -> None:
        self.printer(printer).engine.clear(self._clock.now_us())

    def paper_out(self, printer: str, after_sheets: int = 0) -> None:
        self.printer(printer).engine.paper_out(self._clock.now_us(), after_sheets)

    def refill(self, printer: str) -> None:
        self.printer(printer).engine.refill(self._clock.now_us())

    def power_cut(self, printer: str, off_s: float) -> None:
        self.printer(printer).engine.power_cut(self._clock.now_us(), int(off_s * SECOND_US))

    def replace(self, printer: str, serial: str, count: int) -> None:
        self.printer(printer).engine.replace(self._clock.now_us(), serial, count)

    def replace_before_sheet(self, printer: str, serial: str, count: int) -> None:
        self.printer(printer).engine.replace_before_sheet(self._clock.now_us(), serial, count)

    def put_meter(self, printer: str, count: int) -> None:
        self.printer(printer).engine.put_meter(count, self._clock.now_us())

    def false_zero(self, printer: str) -> None:
        self.printer(printer).engine.false_zero(self._clock.now_us())

    def stick_state(self, printer: str, *, sticks: bool) -> None:
        self.printer(printer).engine.stick_state(self._clock.now_us(), sticks=sticks)

    def light_toner(self, printer: str, *, lit: bool) -> None:
        self.printer(printer).engine.light_toner(self._clock.now_us(), lit=lit)

    def silence(self, printer: str, for_s: float) -> None:
        self.printer(printer).engine.silence(self._clock.now_us(), int(for_s * SECOND_US))

    def present(self, number: str, gateway: str) -> None:
        """A number that is nobody's, or no number at all, at a gateway's reader."""
        self.gateway(gateway).present(number)

    def badge_of(self, user: str) -> str:
        if user not in self._badges:
            raise BadScenario(f"{user} is nobody at the college; there are {', '.join(self._badges)}")
        return self._badges[user]

    def change_unit(self, printer: str, unit: MeterUnit) -> None:
        self.printer(printer).engine.change_unit(unit, self._clock.now_us())

    def say_unit(self, printer: str, unit: MeterUnit) -> None:
        self.printer(printer).engine.say_unit(unit, self._clock.now_us())

    def drop_forward(self, printer: str) -> None:
        self.printer(printer).gateway.drop_snmp_forward(printer)

    def print_down(self, printer: str) -> None:
        self.printer(printer).gateway.print_down(printer)

    def mend(self, printer: str) -> None:
        self.printer(printer).gateway.mend(printer)

    def outage(self, *, begins: bool) -> None:
        """Notices are held back until it is over, then the backlog goes out."""
        self.server.board.outage = begins
