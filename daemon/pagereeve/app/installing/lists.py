"""A list of printers, from what a form brings to what would come of it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

from pagereeve.settings import BadSettings, Problem, Settings
from pagereeve.settings.importing import ImportPlan, plan_list
from pagereeve.settings.lists.devices import DeviceList, devices_in
from pagereeve.settings.snmp_access import strange_references

LIST: Final = Path("the list")
ROWS_MAX: Final = 2_000
NAME_MAX: Final = 40
DEFAULT_NAME: Final = "printers"
_NAME: Final = re.compile(rf"[a-z0-9][a-z0-9-]{{0,{NAME_MAX - 1}}}")
_NOT_IN_NAMES: Final = re.compile(r"[^a-z0-9]+")


def list_name(said: str, filename: str) -> str:
    """What its file is named by. Raises BadSettings for a name that is none; a file's own is made fit."""
    name = said.strip()
    if not name:
        stem = re.split(r"[/\\]", filename)[-1].rpartition(".")[0]
        name = _NOT_IN_NAMES.sub("-", stem.casefold())[:NAME_MAX].strip("-") or DEFAULT_NAME
    if not _NAME.fullmatch(name):
        text = f"write small letters, digits and -, {NAME_MAX} at most"
        raise BadSettings(str(LIST), [Problem("name of the list", text)])
    return name


def listed_in(data: bytes, settings: Settings, config: Path) -> DeviceList:
    """``config`` is the settings file. Raises BadSettings with all that is wrong."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise BadSettings(str(LIST), [Problem(f"line {line}", "is not UTF-8; save the list as UTF-8")]) from None
    listed = devices_in(text, LIST)
    if len(listed.printers) > ROWS_MAX:
        text = f"has {len(listed.printers)} printers, and a page takes {ROWS_MAX}; pagereeve printers import takes more"
        raise BadSettings(str(LIST), [Problem("", text)])
    problems = strange_references(listed.printers, listed.lines, settings, config.absolute().parent)
    if problems:
        raise BadSettings(str(LIST), problems)
    return listed


def plan_of(listed: DeviceList, config: Path, target: Path, note: str) -> ImportPlan:
    """Raises BadSettings, NotOurs, CantImport."""
    return plan_list(listed, LIST, config, target, note)
