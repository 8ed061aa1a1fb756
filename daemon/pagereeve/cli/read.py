"""``pagereeve read``."""

from __future__ import annotations

import asyncio
import os
from pathlib import Path
from typing import Annotated, Any, Literal

from cyclopts import Parameter

from pagereeve.app.clocks import SystemClock, SystemEntropy
from pagereeve.cli.options import CONFIG_DEFAULT, AsJson, Config
from pagereeve.cli.output import say, say_json
from pagereeve.meters.discovery.profile import Profiles, profiles_with
from pagereeve.meters.reader import SnmpMeter
from pagereeve.ports.inspection import Inspection
from pagereeve.ports.meter import AuthProtocol, MeterTarget, PrivProtocol
from pagereeve.reports.inspection import inspection_json, inspection_text
from pagereeve.settings import BadSettings, Problem, Settings, load_settings
from pagereeve.settings.single_printer import lone_printer
from pagereeve.settings.suggestions import nearest

TIMEOUT_MAX_S = 600.0


def read(
    place: Annotated[str | None, Parameter(help="HOST:PORT or HOST (port 161); without it, --printer.")] = None,
    /,
    *,
    printer: Annotated[str | None, Parameter(help="A printer of the settings file, instead of HOST:PORT.")] = None,
    version: Annotated[Literal["1", "2c", "3"] | None, Parameter(help="SNMP version; default: 2c.")] = None,
    community_file: Annotated[Path | None, Parameter(help="File that holds the community; default: public.")] = None,
    community_env: Annotated[str | None, Parameter(help="Environment variable that holds it.")] = None,
    user: Annotated[str | None, Parameter(help="SNMPv3 user.")] = None,
    auth: Annotated[AuthProtocol | None, Parameter(help="SNMPv3 authentication protocol.")] = None,
    auth_password_file: Annotated[Path | None, Parameter(help="File that holds the password for it.")] = None,
    auth_password_env: Annotated[str | None, Parameter(help="Environment variable that holds it.")] = None,
    priv: Annotated[PrivProtocol | None, Parameter(help="SNMPv3 encryption protocol.")] = None,
    priv_password_file: Annotated[Path | None, Parameter(help="File that holds the password for it.")] = None,
    priv_password_env: Annotated[str | None, Parameter(help="Environment variable that holds it.")] = None,
    context: Annotated[str | None, Parameter(help="Context name of the objects.")] = None,
    allow_weak: Annotated[bool | None, Parameter(negative="", help="Allow md5 and des.")] = None,
    profile: Annotated[str | None, Parameter(help="A profile's name, or none for the standard objects alone.")] = None,
    profiles: Annotated[Path | None, Parameter(help="Folder with further profiles.")] = None,
    timeout_s: Annotated[float, Parameter(name="--timeout", help="Time limit in seconds, for everything.")] = 15.0,
    json: AsJson = False,
    config: Config = CONFIG_DEFAULT,
) -> int:
    """What the daemon makes of an agent: identity, channels, units, reasons. Exit status 1 if it can't be used."""
    options = {
        "version": version,
        "community_file": community_file,
        "community_env": community_env,
        "user": user,
        "auth": auth,
        "auth_password_file": auth_password_file,
        "auth_password_env": auth_password_env,
        "priv": priv,
        "priv_password_file": priv_password_file,
        "priv_password_env": priv_password_env,
        "context": context,
        "allow_weak": allow_weak,
        "profile": profile,
    }
    given = {name: value for name, value in options.items() if value is not None}
    target, folder = _target(place, printer, given, config)
    known = profiles_with(profiles or folder)
    known.require([target.profile])
    seen = asyncio.run(_inspect(target, known, min(max(timeout_s, 0.1), TIMEOUT_MAX_S)))
    if json:
        say_json(inspection_json(seen))
    else:
        say(inspection_text(seen))
    return 0 if seen.reading is not None else 1


def _target(
    place: str | None, printer: str | None, given: dict[str, Any], config: Path
) -> tuple[MeterTarget, Path | None]:
    """Whom to ask, and the folder of the site's own profiles. Raises BadSettings."""
    if (place is None) == (printer is None):
        raise BadSettings("pagereeve read", [Problem("", "give HOST:PORT, or --printer NAME of the settings file")])
    if place is not None:
        return lone_printer(place, given).target(os.environ), None
    settings = load_settings(config)
    entry = _entry(settings, printer or "", config)
    changed = lone_printer(entry.host, {**{name: getattr(entry, name) for name in entry.model_fields_set}, **given})
    return changed.target(os.environ), settings.meters.profiles


def _entry(settings: Settings, name: str, config: Path) -> Any:

    entries = {printer.name: printer for printer in settings.printers}
    if name not in entries:
        raise BadSettings(str(config), [Problem(name[:64], f"is no printer of [[printers]]{nearest(name, entries)}")])
    return entries[name]


async def _inspect(target: MeterTarget, profiles: Profiles, timeout_s: float) -> Inspection:

    meter = SnmpMeter.of(SystemClock(), SystemEntropy(), profiles=profiles)
    try:
        return await meter.inspect(target, timeout_s)
    finally:
        await meter.close()
