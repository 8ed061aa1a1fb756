"""One printer, from a form to a row of [[printers]] and a file that holds it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from pagereeve.app.installing.drafts import EntryDraft
from pagereeve.domain.values.plain_text import refused_character
from pagereeve.ports.inspection import Inspection
from pagereeve.settings import PrinterSettings, Problem, Settings
from pagereeve.settings.importing import ImportPlan, NotOurs, entries_text, plan_list
from pagereeve.settings.lists.devices import DeviceList
from pagereeve.settings.places import Places
from pagereeve.settings.snmp_access import SnmpAccess, accesses_of
from pagereeve.settings.validation import problems_of

FORM: Final = Path("the form")
# In the place of what is missing, so that all else is judged all the same.
UNSAID: Final = "unsaid"
NUMBERS: Final = ("port", "device")
TEXTS: Final = ("name", "gateway", "serial", "site", "price_class", "text")
VALUE_MAX: Final = 300
SERIAL_MAX: Final = 100


def access_key(access: SnmpAccess) -> str:
    """The same as long as settings say the same, whatever comes and goes beside it."""
    return hashlib.sha256(repr(access.members).encode()).hexdigest()[:16]


def entry_draft(values: Mapping[str, str], settings: Settings, *, pins: bool) -> EntryDraft:
    """What is wrong with the fields, or the row that they make."""
    draft = EntryDraft({name: value[:VALUE_MAX] for name, value in values.items()}, pins)
    members, problems = _members(values, settings)
    try:
        draft.entry = PrinterSettings(**{"name": UNSAID, "host": UNSAID, **members})
    except ValidationError as error:
        known = {one.where for one in problems}
        found = [one for one in problems_of(error, Places(members)) if isinstance(one, Problem)]
        problems += [one for one in found if one.where not in known]
    if problems:
        draft.problems = tuple(problems)
    else:
        draft.members = members
    return draft


def _members(values: Mapping[str, str], settings: Settings) -> tuple[dict[str, Any], list[Problem]]:
    problems = [
        Problem(name, f"holds the control character {held}; write plain text")
        for name, value in values.items()
        if (held := refused_character(value))
    ]
    members: dict[str, Any] = {name: value for name in TEXTS if (value := values.get(name, ""))}
    host = values.get("host", "") or _host_of(settings, values.get("gateway", ""))
    if host:
        members["host"] = host
    else:
        problems.append(Problem("host", "is missing; write an address, or choose a gateway that has one"))
    if not values.get("name"):
        problems.append(Problem("name", "is missing; write it as release notices have it"))
    for name in NUMBERS:
        value = values.get(name, "")
        if value.isascii() and value.isdigit():
            members[name] = int(value)
        elif value:
            problems.append(Problem(name, "is no number; write digits alone"))
    chosen = next((one for one in accesses_of(settings) if access_key(one) == values.get("access")), None)
    if chosen is None:
        problems.append(Problem("access", "is offered no more; choose how it is asked once again"))
    else:
        members.update(chosen.members)
    return members, problems


def _host_of(settings: Settings, gateway: str) -> str:
    return next((one.host or "" for one in settings.gateways if one.name == gateway), "")


def pinned(members: Mapping[str, Any], seen: Inspection, *, pins: bool) -> dict[str, Any]:
    """With the serial number that answered, where the form says none."""
    serial = seen.identity.serial
    fits = bool(serial) and len(serial) <= SERIAL_MAX and not refused_character(serial)
    if not pins or members.get("serial") or seen.failure is not None or not fits:
        return dict(members)
    return {**members, "serial": serial}


def entry_text(members: Mapping[str, Any], note: str) -> str:
    return f"# {note} It is the settings' own now: edit it as you like.\n{entries_text({'printers': [members]})}"


def plan_entry(members: Mapping[str, Any], config: Path, target: Path, note: str) -> ImportPlan:
    """The whole site with it, for a file that is not there yet. Raises BadSettings, NotOurs, CantImport."""
    if target.exists():
        raise NotOurs(f"{target} is there already, and stays as it is; read the meter again, and add it then")
    plan = plan_list(DeviceList([dict(members)], [1], [], []), FORM, config, target, note)
    return replace(plan, text=entry_text(members, note))
