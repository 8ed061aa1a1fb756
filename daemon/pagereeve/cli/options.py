"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final

from cyclopts import Parameter

CONFIG_DEFAULT: Final = Path("/etc/pagereeve/pagereeve.toml")
CONFIG_VARIABLE: Final = "PAGEREEVE_SETTINGS"

Config = Annotated[
    Path,
    Parameter(name="--config", env_var=CONFIG_VARIABLE, help="Settings file; pagereeve example settings prints one."),
]
SettingsIfAny = Annotated[
    Path | None,
    Parameter(name="--config", env_var=CONFIG_VARIABLE, help="Settings file, for its zone and its periods alone."),
]
DataDir = Annotated[
    Path | None, Parameter(name="--data-dir", help="Folder of the journal, instead of a settings file.")
]
Socket = Annotated[
    Path | None, Parameter(name="--socket", help="The daemon's local socket; default: as in the settings file.")
]
PeriodName = Annotated[
    str | None,
    Parameter(
        name="--period",
        help="2026, 2026-Q4, 2026-11, 2026-W48, 2026-11-25 or a name of [[periods]]; default: all time.",
    ),
]
From = Annotated[str | None, Parameter(name="--from", help="Beginning: a local date, or an RFC 3339 time.")]
To = Annotated[str | None, Parameter(name="--to", help="End, not included: a local date, or an RFC 3339 time.")]
Zone = Annotated[
    str | None,
    Parameter(
        name="--zone",
        help="Time zone of the period and of times shown, as Europe/Berlin; default: [site] zone of settings, or UTC.",
    ),
]
Printer = Annotated[str | None, Parameter(name="--printer", help="Only this printer.")]
AsJson = Annotated[bool, Parameter(name="--json", negative="", help="Print JSON.")]
