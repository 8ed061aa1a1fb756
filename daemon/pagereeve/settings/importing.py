"""A list of printers and gateways made into an included file, which is ours alone: what a person wrote stays.

The file's first line says who made it, and the SHA-256 of what follows: one that was edited since is a person's.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pagereeve.domain.values.errors import PagereeveError
from pagereeve.settings.errors import BadSettings, Problem
from pagereeve.settings.included import IncludedRows
from pagereeve.settings.lists.devices import DeviceList, read_devices, relative_to_file
from pagereeve.settings.load import load_settings, written_rows
from pagereeve.settings.model import Settings
from pagereeve.settings.places import member
from pagereeve.settings.relative_paths import rooted
from pagereeve.settings.text_file import text_of
from pagereeve.settings.toml_file import read_table

FOLDER: Final = "printers.d"
_HEAD: Final = re.compile(
    r"# Made by pagereeve printers import, sha256 ([0-9a-f]{64})\. Change the list and import it again"
)
_READABLE: Final = 0o666


class NotOurs(PagereeveError):
    """The file to write was written, or edited, by a person."""


class NotIncluded(BadSettings):
    """``include`` leaves the file out. ``text`` is the file as it would be: a person can put it where it is read."""

    def __init__(self, source: str, problems: Iterable[Problem], text: str) -> None:
        super().__init__(source, problems)
        self.text = text


class CantImport(PagereeveError):
    """It can't be written now; the text says why. What was there before is still there."""


@dataclass(frozen=True, slots=True)
class Change:
    """An entry that is added, changed or removed. ``details`` are ``setting: before -> after``; line 0: in no list."""

    kind: str
    table: str
    name: str
    line: int
    details: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ImportPlan:
    """``text`` is the file as it would be, ``changes`` what that would change, ``same`` how many entries stay."""

    target: Path
    text: str
    changes: tuple[Change, ...]
    same: int
    left: tuple[str, ...]
    settings: Settings

    @property
    def removes(self) -> list[Change]:
        return [one for one in self.changes if one.kind == "removed"]


@contextmanager
def only_import(config: Path) -> Iterator[None]:
    """From the plan until it is written: two that don't know of one another would make a site that nobody checked.

    Raises CantImport while another one is at it.
    """
    folder = os.open(config.absolute().parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        try:
            fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            text = "another import into these settings is under way; import again when it has ended"
            raise CantImport(text) from None
        except OSError:
            pass  # NFS locks no folder; what follows is then as safe as a person's editor
        yield
    finally:
        os.close(folder)


def plan_import(source: Path, config: Path, target: Path) -> ImportPlan:
    """The whole site is judged with the list in it. Raises BadSettings with the list's lines, NotOurs, CantImport."""
    return plan_list(read_devices(source), source, config, target)


def plan_list(listed: DeviceList, source: Path, config: Path, target: Path, note: str = "") -> ImportPlan:
    """The same of a list that was read; ``source`` is what errors call it, ``note`` a comment in the file."""
    if target.suffix.casefold() == ".csv":
        raise CantImport(f"{target} would be read as CSV, and an import writes TOML; name it .toml with --to")
    folder = config.absolute().parent
    before = _ours(target)
    gateways = _new_gateways(source, listed, written_rows(config, "gateways", target))
    wanted: dict[str, list[dict[str, Any]]] = {
        "gateways": [{"name": one.name, "host": one.host} for one in gateways],
        "printers": [relative_to_file(one, folder, target) for one in listed.printers],
    }
    at = {"gateways": [one.line for one in gateways], "printers": list(listed.lines)}
    # Not by way of the file's own folder, which may not be there yet.
    roots = rooted({**wanted, "printers": list(listed.printers)}, Settings, folder)
    rows = [IncludedRows(table, source, roots[table], at[table]) for table in wanted]
    settings, text = load_settings(config, instead={target: rows}), _text_of(wanted, note)
    if not is_included(settings, wanted["printers"]):
        raise _not_included(config, target, text)
    changes = [
        change
        for table, entries in wanted.items()
        for change in _changes(table, before.get(table, []), entries, at[table])
    ]
    same = sum(len(entries) for entries in wanted.values()) - sum(one.kind != "removed" for one in changes)
    return ImportPlan(target, text, tuple(changes), same, tuple(listed.left), settings)


def _ours(target: Path) -> Mapping[str, Any]:
    """What an earlier import wrote; empty where there is no file yet. Raises NotOurs."""
    if not target.exists():
        return {}
    first, _, rest = text_of(target, "it is the file to write").partition("\n")
    head = _HEAD.match(first)
    if head is None:
        raise NotOurs(f"{target} was not made by an import, and stays as it is; name another file with --to")
    if head[1] != _digest(rest):
        raise NotOurs(
            f"{target} was edited since it was imported, and stays as it is; rename it (it then is yours), or name "
            "another file with --to"
        )
    return read_table(target, "it is the file to write")


def _new_gateways(source: Path, listed: DeviceList, known: Sequence[Any]) -> list[Any]:
    """Those that no other file has. Raises BadSettings where another file says otherwise of one."""
    hosts = {member(row, "name"): member(row, "host") for row in known}
    problems = [
        Problem(
            f"line {one.line}",
            f"gives gateway {one.name[:64]!r} the gateway_host {one.host[:64]!r}; the settings have "
            f"{str(hosts[one.name] or 'none')[:64]!r}; correct one of the two",
        )
        for one in listed.gateways
        if one.name in hosts and str(hosts[one.name] or "").casefold() != one.host.casefold()
    ]
    if problems:
        raise BadSettings(str(source), problems)
    return [one for one in listed.gateways if one.name not in hosts]


def is_included(settings: Settings, printers: Sequence[Mapping[str, Any]]) -> bool:
    names = {printer.name for printer in settings.printers}
    return all(one.get("name") in names for one in printers)


def _not_included(config: Path, target: Path, whole: str) -> NotIncluded:
    folder = config.absolute().parent
    shown = target.relative_to(folder) if target.is_relative_to(folder) else target
    wanted = f"{shown.parent}/*.toml" if shown.parent != Path() else str(shown)
    text = f'does not name {shown}, so that the daemon would not read it; add "{wanted}"'
    return NotIncluded(str(config), [Problem("include", text)], whole)


def _changes(table: str, before: Any, wanted: Sequence[Mapping[str, Any]], lines: Sequence[int]) -> list[Change]:
    known = {row["name"]: row for row in before}
    changes = []
    for row, line in zip(wanted, lines, strict=True):
        name = str(row["name"])
        old = known.pop(name, None)
        if old is None:
            changes.append(Change("added", table, name, line))
        elif old != row:
            names = dict.fromkeys([*old, *row])
            details = [
                f"{one}: {_shown(old.get(one))} -> {_shown(row.get(one))}"
                for one in names
                if old.get(one) != row.get(one)
            ]
            changes.append(Change("changed", table, name, line, tuple(details)))
    return [*changes, *(Change("removed", table, name, 0) for name in known)]


def _shown(value: Any) -> str:
    return "(not set)" if value is None else str(value)


def _text_of(wanted: Mapping[str, Sequence[Mapping[str, Any]]], note: str) -> str:
    body = (f"# {note}\n" if note else "") + entries_text(wanted)
    return f"# Made by pagereeve printers import, sha256 {_digest(body)}. Change the list and import it again.\n{body}"


def entries_text(wanted: Mapping[str, Sequence[Mapping[str, Any]]]) -> str:
    """TOML of each table's entries."""
    entries = [
        "\n".join([f"[[{table}]]", *(f"{name} = {_value(value)}" for name, value in row.items())])
        for table, rows in wanted.items()
        for row in rows
    ]
    return "\n\n".join(entries) + "\n"


def _value(value: str | int) -> str:
    """JSON's numbers and strings are TOML 1.0's, but for DEL."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def write_import(plan: ImportPlan, config: Path) -> None:
    """The file appears whole or not at all, for whoever may read the settings file. Raises CantImport."""
    try:
        # Of a link that somebody laid, the file at its end is written.
        _replace(plan.target.resolve(), plan.text.encode(), config.stat())
    except OSError as error:
        why = error.strerror or str(error)
        raise CantImport(f"{plan.target} can't be written ({why}); nothing was changed") from error


def _replace(target: Path, data: bytes, like: os.stat_result) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=".import-", dir=target.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            os.fchmod(file.fileno(), like.st_mode & _READABLE)
            with suppress(PermissionError):  # only root gives files away; who else writes settings owns them
                os.fchown(file.fileno(), like.st_uid, like.st_gid)
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(target)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
