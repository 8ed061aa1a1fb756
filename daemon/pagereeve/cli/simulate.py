"""``pagereeve simulate``."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Annotated, Final

from cyclopts import App, Parameter, validators

from pagereeve.cli.output import complain, say
from pagereeve.demo.simulate import DAEMON, PRINTERS, CantSimulate, SimulateOptions, run_simulate
from pagereeve.ports.setting_types import HostPort
from pagereeve.simulator.control.local_control import ask, default_path

REFUSED: Final = 2

app = App(name="simulate", help="Simulated printers, gateways and a release server, to try things on.")

Control = Annotated[
    Path | None, Parameter(name="--control", help="Local socket of the simulate to ask; default: one for each user.")
]
Name = Annotated[str, Parameter(help="A simulated printer.")]


@app.default
def simulate(
    *,
    printers: Annotated[int, Parameter(help="How many; the college's ten come first.")] = PRINTERS,
    settings: Annotated[
        Path | None, Parameter(help="Write a settings file for a daemon; its journal gets a folder beside it.")
    ] = None,
    daemon: Annotated[
        str | None,
        Parameter(help=f"HOST:PORT of a daemon that is sent badges and notices; with --settings {DAEMON}."),
    ] = None,
    host: Annotated[
        str, Parameter(help="Address to listen on. Loopback, because nobody is asked who they are.")
    ] = "127.0.0.1",
    first_port: Annotated[
        int,
        Parameter(
            help="Use the ports from this one on; 0 selects free ones.", validator=validators.Number(gte=0, lte=65_535)
        ),
    ] = 0,
    control: Control = None,
) -> int:
    """Run simulated printers, gateways and a release server until Ctrl-C; what they do can be changed meanwhile.

    Each printer counts pages, answers over SNMP and prints what its gateway's port is sent. Exit status 2 if it can't
    start.
    """
    try:
        address = None if daemon is None else HostPort.of(daemon)
    except ValueError as error:
        raise CantSimulate(f"--daemon: {error}") from None
    return run_simulate(SimulateOptions(printers, host, first_port, settings, address, control))


@app.command
def tell(
    printer: Name,
    act: Annotated[str, Parameter(help="What is to happen; pagereeve simulate acts lists all.")],
    *given: Annotated[str, Parameter(help="What the act needs: seconds, pages.")],
    control: Control = None,
) -> int:
    """Change a simulated printer. Exit status 2 if it was refused."""
    return _asked([printer, act, *given], control)


@app.command(name="print")
def print_(
    printer: Name,
    *,
    pages: Annotated[int, Parameter(help="Pages of the document.")] = 1,
    copies: Annotated[int, Parameter(help="Copies.")] = 1,
    two_sided: Annotated[bool, Parameter(negative="", help="On both sides.")] = False,
    owner: Annotated[str, Parameter(help="Whose job it is, by login; default: the first of the college.")] = "",
    control: Control = None,
) -> int:
    """Release a job by badge: through the gateway, with notices if there is a daemon. Exit status 2 if refused."""
    words = ["print", printer, "--pages", str(pages), "--copies", str(copies)]
    words += ["--two-sided"] if two_sided else []
    return _asked([*words, *(["--owner", owner] if owner else [])], control)


@app.command
def show(printer: Annotated[str | None, Parameter(help="Only this one.")] = None, *, control: Control = None) -> int:
    """How the simulated printers are now."""
    return _asked(["show", *([] if printer is None else [printer])], control)


@app.command
def acts(*, control: Control = None) -> int:
    """List the acts."""
    return _asked(["help"], control)


def _asked(words: list[str], control: Path | None) -> int:
    done, text = asyncio.run(ask(control or default_path(), words))
    if not done:
        complain(text)
        return REFUSED
    say(text)
    return 0
