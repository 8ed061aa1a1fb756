"""As whom meters may be asked from a page: as printers of the settings are asked already, by the same references.

A reference names a file or a variable of the daemon's machine. Who could choose any would have the daemon send what is
in it to an address of their own choice; so a page offers only those that the settings' entries name already, each for
the same purpose, and never a secret itself.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pagereeve.settings.errors import Problem
from pagereeve.settings.model import Settings
from pagereeve.settings.registry import PrinterSettings

REFERENCES: Final = (
    *("community_file", "community_env", "auth_password_file", "auth_password_env"),
    *("priv_password_file", "priv_password_env"),
)
MEMBERS: Final = ("version", "user", "auth", "priv", "context", "allow_weak", *REFERENCES)
CHOICES_MAX: Final = 50


@dataclass(frozen=True, slots=True)
class SnmpAccess:
    """``members`` are of [[printers]], paths absolute; ``like`` is the first printer that is asked so ("": none)."""

    members: tuple[tuple[str, Any], ...]
    like: str = ""

    @property
    def text(self) -> str:
        said = dict(self.members)
        version = f"SNMP v{said.get('version', '2c')}"
        if "user" in said:
            return f"{version}, user {said['user']}, as {self.like}"
        references = [said[name] for name in ("community_file", "community_env") if name in said]
        return f"{version}, community of {references[0]}" if references else f"{version}, community public"


OPEN: Final = (SnmpAccess(()), SnmpAccess((("version", "1"),)))
"""Without a secret: what an agent answers to anybody."""


def accesses_of(settings: Settings) -> Sequence[SnmpAccess]:
    """Those without a secret, then each that a printer has, once, but for a community that the settings hold itself."""
    found = {one.members: one for one in OPEN}
    for printer in settings.printers:
        if printer.community is None and printer.meter == "snmp":
            members = _members_of(printer)
            found.setdefault(members, SnmpAccess(members, printer.name))
            if len(found) == CHOICES_MAX:
                break
    return tuple(found.values())


def _members_of(printer: PrinterSettings) -> tuple[tuple[str, Any], ...]:
    said = {name: getattr(printer, name) for name in MEMBERS if name in printer.model_fields_set}
    if said.get("version") == "2c":
        del said["version"]
    return tuple((name, str(value) if isinstance(value, Path) else value) for name, value in said.items())


def strange_references(
    printers: Sequence[Mapping[str, Any]], lines: Sequence[int], settings: Settings, folder: Path
) -> list[Problem]:
    """Of rows whose paths are relative to ``folder``: what no entry of the settings names for that purpose."""
    known = {name: {_plain(value) for one in settings.printers if (value := getattr(one, name))} for name in REFERENCES}
    problems = []
    for row, line in zip(printers, lines, strict=True):
        for name in REFERENCES:
            value = row.get(name)
            if value is None:
                continue
            wanted = os.path.normpath(folder / str(value)) if name.endswith("_file") else str(value)
            if wanted not in known[name]:
                text = "names what no printer of the settings uses yet; write the first such entry in the settings file"
                problems.append(Problem(f"line {line}, {name}", text))
    return problems


def _plain(value: object) -> str:
    return os.path.normpath(value) if isinstance(value, Path) else str(value)
