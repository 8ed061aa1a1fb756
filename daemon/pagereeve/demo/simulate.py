"""``pagereeve simulate``: the simulator's printers, gateways and release server alone, in somebody's hands."""

from __future__ import annotations

import asyncio
import errno
import ipaddress
import os
import shlex
import socket
import sys
from contextlib import AsyncExitStack, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rich.console import Console
from rich.table import Table

from pagereeve.app.clocks import SystemClock
from pagereeve.app.running import loop_factory
from pagereeve.demo.advice import program_words
from pagereeve.demo.ending import Ending
from pagereeve.demo.settings import college_settings, settings_text
from pagereeve.demo.terminal_lines import can_be_typed_at, typed_lines
from pagereeve.domain.values.errors import PagereeveError
from pagereeve.ports.setting_types import HostPort
from pagereeve.simulator.college.college import COMMUNITY, College
from pagereeve.simulator.college.more_places import places_for
from pagereeve.simulator.college.roll import PLACES
from pagereeve.simulator.control.acts import Bench
from pagereeve.simulator.control.local_control import LocalControl, default_path
from pagereeve.simulator.errors import SimulatorError

PRINTERS: Final = len(PLACES)
DAEMON: Final = HostPort("127.0.0.1", 8731)
GATE_S: Final = 2
SEED: Final = 1
OURS: Final = "# Written by pagereeve simulate, which writes it again at its next start.\n"
PLAIN_WIDTH: Final = 120


class CantSimulate(PagereeveError):
    """It can't begin as it was asked to: the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class SimulateOptions:
    """``first_port`` 0 lets the system choose all ports. Notices go to ``daemon``, or where ``settings`` has it."""

    printers: int = PRINTERS
    host: str = "127.0.0.1"
    first_port: int = 0
    settings: Path | None = None
    daemon: HostPort | None = None
    control: Path | None = None


def run_simulate(options: SimulateOptions) -> int:
    """Until Ctrl-C, SIGTERM, SIGHUP or ``quit``. Raises CantSimulate and other PagereeveErrors before it begins."""
    places = places_for(options.printers)
    gateways = len({place.gateway for place in places})
    ports = _ports(options, 2 * len(places) + gateways)
    _require_free(options.host, ports)
    if options.settings is not None:
        _require_ours(options.settings)
    clock = SystemClock()
    console = Console(width=None if sys.stdout.isatty() else PLAIN_WIDTH, highlight=False, markup=False)
    with asyncio.Runner(loop_factory=loop_factory()) as runner:
        ending = Ending()
        college = College(SEED, clock, places=places, ports=ports)
        return runner.run(ending.over(Simulation(options, college, clock, console, ending).run()))


class Simulation:
    """One run of it."""

    def __init__(
        self, options: SimulateOptions, college: College, clock: SystemClock, console: Console, ending: Ending
    ) -> None:
        self._options, self._college, self._console, self._ending = options, college, console, ending
        self._bench = Bench(college, clock)

    async def run(self) -> int:
        options, college = self._options, self._college
        async with AsyncExitStack() as stack:
            stack.push_async_callback(college.stop)
            await college.start(options.host)
            daemon = options.daemon or (DAEMON if options.settings else None)
            if daemon is not None:
                college.server.tells_badges = True
                college.point_events(f"http://{daemon}/v1/events", gate_s=GATE_S)
            path = options.control or default_path()
            control = LocalControl(path, self._bench.perform)
            await control.start()
            stack.push_async_callback(control.stop)
            self._show()
            if options.settings is not None:
                self._write_settings(options.settings, daemon or DAEMON)
            self._say_how(path)
            typing = asyncio.create_task(self._typed())
            stack.callback(typing.cancel)
            await self._ending.rest()
            # A fault in there is ours, and is to be seen.
            if typing.done() and not typing.cancelled():
                typing.result()
        return 0

    async def _typed(self) -> None:
        if not can_be_typed_at():
            return
        try:
            async for line in typed_lines():
                words = line.split()
                if words == ["quit"]:
                    break
                if words:
                    self._console.print(await self._done(words), soft_wrap=True)
            else:
                if not os.isatty(0):
                    return  # the end of a pipe ends nothing
        except BaseException:
            self._ending.end_rest()
            raise
        self._ending.end_rest()

    async def _done(self, words: list[str]) -> str:
        try:
            return await self._bench.perform(words)
        except SimulatorError as error:
            return f"not done: {error}"

    def _show(self) -> None:
        college, say = self._college, self._console.print
        gateways = {one.gateway for one in college.settings().printers}
        say(f"{len(college.printers)} simulated printers behind {len(gateways)} gateways; all are invented.")
        if ipaddress.ip_address(self._options.host).is_loopback:
            say("They listen on loopback alone: nobody is asked who they are. --host lets others in.")
        else:
            say(f"Nobody is asked who they are: whoever reaches {self._options.host} can read them and print on them.")
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
        for heading in ("printer", "SNMP v1, v2c", "community", "print port", "gateway", "badge lines"):
            table.add_column(heading, no_wrap=True)
        for one in college.settings().printers:
            badge_port = college.badge_address(one.gateway)[1]
            row = (one.printer, str(HostPort(one.host, one.port)), COMMUNITY, one.print_port, one.gateway, badge_port)
            table.add_row(*map(str, row))
        say(table)

    def _write_settings(self, file: Path, daemon: HostPort) -> None:
        folder = file.absolute().with_name(f"{file.stem}-data")
        folder.mkdir(mode=0o700, exist_ok=True)
        settings = college_settings(self._college, folder, daemon)
        file.write_text(OURS + settings_text(settings), encoding="utf-8")

    def _say_how(self, control: Path) -> None:
        options, say = self._options, self._say
        program = program_words()
        first = self._college.printers[0]
        if options.settings is not None:
            config = ["--config", str(options.settings.absolute())]
            say("A daemon for them, and commands that ask it, in another terminal:")
            for words in (["run"], ["read", "--all"], ["prove", first, "--print", "--yes"], ["findings"], ["doctor"]):
                say(f"  {shlex.join([*program, *words, *config])}")
        told = [] if options.control is None else ["--control", str(control.absolute())]
        say("Type an act here, as jam, or ask for it in another terminal; help lists all, Ctrl-C ends it:")
        say(f"  {first} jam")
        say(f"  {shlex.join([*program, 'simulate', 'tell', first, 'jam', *told])}")
        say(f"  {shlex.join([*program, 'simulate', 'print', first, '--pages', '3', '--copies', '2', *told])}")

    def _say(self, text: str) -> None:
        self._console.print(text, soft_wrap=True)


def _ports(options: SimulateOptions, count: int) -> range:
    if not options.first_port:
        return range(0)
    if options.first_port + count > 65_536:
        raise CantSimulate(f"{count} ports from {options.first_port} on go beyond 65535; give a lower --first-port")
    return range(options.first_port, options.first_port + count)


def _require_free(host: str, ports: range) -> None:
    """Raises CantSimulate for an address that is none of this machine, and for the first port that is taken."""
    try:
        family = socket.AF_INET6 if ipaddress.ip_address(host).version == 6 else socket.AF_INET
        is_one = not ipaddress.ip_address(host).is_unspecified
    except ValueError:
        is_one, family = False, socket.AF_INET
    if not is_one:
        raise CantSimulate(f"--host {host[:64]!r} is not one address of this machine; write it in figures")
    for port in ports or (0,):
        for kind in (socket.SOCK_STREAM, socket.SOCK_DGRAM):
            with socket.socket(family, kind) as probe:
                if kind is socket.SOCK_STREAM:
                    probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                try:
                    probe.bind((host, port))
                except OSError as error:
                    raise CantSimulate(_refusal(host, port, error)) from None


def _refusal(host: str, port: int, error: OSError) -> str:
    if error.errno == errno.EADDRINUSE:
        return f"port {port} is in use on {host}; give another --first-port, or leave it out for free ones"
    return (
        f"{HostPort(host, port)} can't be used ({os.strerror(error.errno or 0)}); give another --host or --first-port"
    )


def _require_ours(file: Path) -> None:
    """What somebody else wrote is not written over. Raises CantSimulate."""
    with suppress(FileNotFoundError):
        if not file.read_bytes().startswith(OURS.encode()):
            raise CantSimulate(f"{file} is there, and not from simulate; give --settings another name")
    if not file.absolute().parent.is_dir():
        raise CantSimulate(f"{file.absolute().parent} is no folder; make it, or give --settings another")
