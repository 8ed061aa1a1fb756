"""``pagereeve read``."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Annotated, Any, Literal

from cyclopts import Parameter

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.app.fleet_look import look_over
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config
from pagereeve.cli.output import say, say_json
from pagereeve.cli.progress import progress_of
from pagereeve.cli.recording import record_agent
from pagereeve.meters.discovery.profile import Profiles, profiles_with
from pagereeve.meters.doors import MeterDoors
from pagereeve.ports.inspection import Inspection
from pagereeve.ports.meter import AuthProtocol, MeterDoor, MeterTarget, PrivProtocol
from pagereeve.ports.secrets import NoSecret
from pagereeve.reports.fleet import Seen, fleet_json, fleet_text
from pagereeve.reports.inspection import inspection_json, inspection_text
from pagereeve.settings import BadSettings, PrinterSettings, Problem, Settings, load_settings
from pagereeve.settings.lists.hosts import agents_in, agents_named
from pagereeve.settings.single_printer import lone_printer
from pagereeve.settings.suggestions import nearest

TIMEOUT_MAX_S = 600.0
# One of these in an entry gives way to another of them on the command line.
COMMUNITY = frozenset({"community", "community_file", "community_env"})


@dataclass(frozen=True)
class SnmpOptions:
    """How to ask; what is given wins over a printer's entry of the settings file."""

    version: Annotated[Literal["1", "2c", "3"] | None, Parameter(help="SNMP version; default: 2c.")] = None
    community_file: Annotated[Path | None, Parameter(help="File that holds the community; default: public.")] = None
    community_env: Annotated[str | None, Parameter(help="Environment variable that holds it.")] = None
    user: Annotated[str | None, Parameter(help="SNMPv3 user.")] = None
    auth: Annotated[AuthProtocol | None, Parameter(help="SNMPv3 authentication protocol.")] = None
    auth_password_file: Annotated[Path | None, Parameter(help="File that holds the password for it.")] = None
    auth_password_env: Annotated[str | None, Parameter(help="Environment variable that holds it.")] = None
    priv: Annotated[PrivProtocol | None, Parameter(help="SNMPv3 encryption protocol.")] = None
    priv_password_file: Annotated[Path | None, Parameter(help="File that holds the password for it.")] = None
    priv_password_env: Annotated[str | None, Parameter(help="Environment variable that holds it.")] = None
    context: Annotated[str | None, Parameter(help="Context name of the objects.")] = None
    allow_weak: Annotated[bool | None, Parameter(negative="", help="Allow md5 and des.")] = None
    profile: Annotated[str | None, Parameter(help="A profile's name, or none for the standard objects alone.")] = None

    meter: Annotated[MeterDoor | None, Parameter(help="By what it is counted: snmp (default), or ipp.")] = None
    ipp_port: Annotated[int | None, Parameter(help="TCP port of its IPP, which is shown beside SNMP.")] = None
    ipp_tls: Annotated[bool | None, Parameter(negative="", help="IPP over HTTPS.")] = None
    ipp_fingerprint: Annotated[str | None, Parameter(help="SHA-256 of the one certificate to accept.")] = None
    ipp_ca_file: Annotated[Path | None, Parameter(help="PEM file with the authorities to accept.")] = None

    def given(self) -> dict[str, Any]:
        """Members of [[printers]]."""
        values = {field.name: getattr(self, field.name) for field in fields(self)}
        return {name: value for name, value in values.items() if value is not None}


def read(
    *places: Annotated[str, Parameter(help="HOST:PORT or HOST (port 161); several are a fleet.")],
    printer: Annotated[str | None, Parameter(help="A printer of the settings file, instead of HOST:PORT.")] = None,
    all_: Annotated[bool, Parameter(name="--all", negative="", help="Every printer of the settings file.")] = False,
    from_: Annotated[
        Path | None, Parameter(name="--from", help="A file with HOST or HOST:PORT on each line; # begins a comment.")
    ] = None,
    snmp: Annotated[SnmpOptions | None, Parameter(name="*")] = None,
    profiles: Annotated[Path | None, Parameter(help="Folder with further profiles.")] = None,
    timeout_s: Annotated[float, Parameter(name="--timeout", help="Time limit in seconds, for each printer.")] = 15.0,
    record: Annotated[
        Path | None,
        Parameter(help="Write what one agent answers to this file, without names: to make a test of it."),
    ] = None,
    json: AsJson = False,
    config: Config = CONFIG_DEFAULT,
) -> int:
    """Read one printer over SNMP: which counters would be used, and why. Exit status 1 if none can be used.

    Several printers (--all, --from, several hosts) are a line each, grouped by model where the meter can be used and by
    reason where not; exit status 1 if any can't be used.
    """
    named = [bool(places), printer is not None, all_, from_ is not None]
    if sum(named) != 1:
        text = "give HOST:PORT, or --printer NAME or --all of the settings file, or --from FILE; one of these"
        raise BadSettings("pagereeve read", [Problem("", text)])
    given = (snmp or SnmpOptions()).given()
    settings = load_settings(config) if all_ or printer is not None else None
    targets = _targets(_entries(settings, places, printer, from_, given))
    known = profiles_with(profiles or (None if settings is None else settings.meters.profiles))
    known.require([target.profile for target in targets])
    limit_s = min(max(timeout_s, 0.1), TIMEOUT_MAX_S)
    one = printer is not None or len(places) == 1
    if record is not None and not one:
        raise BadSettings("pagereeve read", [Problem("--record", "is of one printer; name one")])
    seen = asyncio.run(_look_over(targets, known, limit_s, quiet=json or one))
    if one:
        _show_one(seen[0], as_json=json)
    else:
        _show_fleet([Seen(target, each) for target, each in zip(targets, seen, strict=True)], as_json=json)
    if record is not None:
        record_agent(targets[0], known, record)
    return 0 if all(each.reading is not None for each in seen) else 1


def _show_one(seen: Inspection, *, as_json: bool) -> None:

    if as_json:
        say_json(inspection_json(seen))
    else:
        say(inspection_text(seen))


def _show_fleet(fleet: Sequence[Seen], *, as_json: bool) -> None:

    if as_json:
        say_json(fleet_json(fleet))
    else:
        say(fleet_text(fleet))


def _entries(
    settings: Settings | None, places: Sequence[str], printer: str | None, from_: Path | None, given: dict[str, Any]
) -> list[tuple[str, PrinterSettings]]:
    """Whom to ask, by name, with what the command line says of them. Raises BadSettings with all that is wrong."""
    if from_ is not None:
        return agents_in(from_, given)
    if settings is None:
        return [(places[0], lone_printer(places[0], given))] if len(places) == 1 else agents_named(places, given)
    chosen = settings.printers if printer is None else [_entry(settings, printer)]
    if not chosen:
        raise BadSettings("pagereeve read", [Problem("", "the settings file has no printers; add [[printers]]")])
    return [(entry.name, _changed(entry, given)) for entry in chosen]


def _changed(entry: PrinterSettings, given: dict[str, Any]) -> PrinterSettings:
    if not given:
        return entry
    said = {name: getattr(entry, name) for name in entry.model_fields_set}
    if COMMUNITY & given.keys():
        said = {name: value for name, value in said.items() if name not in COMMUNITY}
    return lone_printer(entry.host, {**said, **given})


def _entry(settings: Settings, name: str) -> PrinterSettings:

    entries = {printer.name: printer for printer in settings.printers}
    if name not in entries:
        problem = Problem(name[:64], f"is no printer of [[printers]]{nearest(name, entries)}")
        raise BadSettings("the settings file", [problem])
    return entries[name]


def _targets(entries: Sequence[tuple[str, PrinterSettings]]) -> list[MeterTarget]:
    """With the secrets read now. Raises BadSettings with all that can't be read."""
    targets: list[MeterTarget] = []
    problems: dict[str, Problem] = {}
    for name, entry in entries:
        try:
            targets.append(replace(entry.target(os.environ), printer=name))
        except NoSecret as error:
            problems.setdefault(str(error), Problem(name, f"its secrets: {error}"))
    if problems:
        raise BadSettings("pagereeve read", problems.values())
    return targets


async def _look_over(
    targets: Sequence[MeterTarget], profiles: Profiles, timeout_s: float, *, quiet: bool
) -> list[Inspection]:

    meter = MeterDoors.of(SystemClock(), SystemEntropy(), profiles=profiles)
    try:
        with progress_of(len(targets), quiet=quiet) as progress:

            def done(target: MeterTarget, seen: Inspection) -> None:
                progress.proof(target.printer, passed=seen.reading is not None)

            return await look_over(meter, targets, timeout_s, done)
    finally:
        await meter.close()
