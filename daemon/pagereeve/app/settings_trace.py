"""Which settings the daemon runs with, noted beside the journal, so that who looks later sees what waits for a reload.

Digests alone, and of secrets none: pydantic masks them. Best effort: what can't be noted is logged, and stops nothing.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import structlog
from pydantic import BaseModel

from pagereeve.settings import Settings
from pagereeve.settings.changes import CHANGEABLE, RELAYS

NAME: Final = "settings.running"
TRACE_MAX_BYTES: Final = 64 * 2**20
# What a list is made of, by the name of its entries.
_LISTED: Final = frozenset({"printers", "gateways"})
_HEX: Final = 16

log = structlog.get_logger("pagereeve.settings")


@dataclass(frozen=True, slots=True)
class WaitingSettings:
    """What differs from what the daemon runs with: by a reload it comes into force, or only by a restart.

    ``files`` are lists that were changed since the daemon read them.
    """

    by_reload: tuple[str, ...] = ()
    by_restart: tuple[str, ...] = ()
    files: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.by_reload or self.by_restart or self.files)


def note_settings(settings: Settings, at_us: int) -> None:
    """Into the data folder, whole or not at all."""
    path = settings.data_dir / NAME
    aside = path.with_name(f".{NAME}.new")
    try:
        aside.write_text(json.dumps({"at_us": at_us, "digests": dict(_digests(settings))}), encoding="utf-8")
        aside.chmod(0o600)
        aside.replace(path)
    except OSError as error:
        log.warning("it is noted nowhere which settings are in force", why=error.strerror or str(error))
        with suppress(OSError):
            path.unlink(missing_ok=True)


def waiting_settings(settings: Settings) -> WaitingSettings:
    """Of a running daemon; nothing where there is no note, or it may not be read."""
    trace = _trace(settings.data_dir / NAME)
    if trace is None:
        return WaitingSettings()
    at_us, before = trace
    now = dict(_digests(settings))
    places = sorted(name for name in before.keys() | now.keys() if before.get(name) != now.get(name))
    waits = [place for place in places if _changeable(place)]
    fixed = [place for place in places if not _changeable(place)]
    return WaitingSettings(tuple(_named(waits, before, now)), tuple(fixed), tuple(_newer(settings, at_us)))


def _trace(path: Path) -> tuple[int, Mapping[str, str]] | None:
    try:
        with path.open("rb") as file:
            body = json.loads(file.read(TRACE_MAX_BYTES))
        return int(body["at_us"]), dict(body["digests"])
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return None  # of another version, damaged, or not ours to read


def _digests(settings: Settings) -> Iterator[tuple[str, str]]:
    for name in type(settings).model_fields:
        value = getattr(settings, name)
        if name in _LISTED:
            yield from ((f"{name}/{one.name}", _digest(one)) for one in value)
        elif isinstance(value, BaseModel) and name not in CHANGEABLE:
            yield from ((f"{name}.{inner}", _digest(getattr(value, inner))) for inner in type(value).model_fields)
        else:
            yield name, _digest(value)


def _digest(value: Any) -> str:
    """Of what is written, and in an order that no run changes."""
    return hashlib.sha256(json.dumps(_plain(value), sort_keys=True, default=str).encode()).hexdigest()[:_HEX]


def _plain(value: Any) -> Any:
    if isinstance(value, BaseModel):
        return value.model_dump(mode="json")
    if isinstance(value, tuple | list):
        return [_plain(one) for one in value]
    if isinstance(value, set | frozenset):
        return sorted(map(str, value))
    if isinstance(value, dict):
        return {str(name): _plain(one) for name, one in value.items()}
    return value


def _changeable(place: str) -> bool:
    # Of relays it hangs on the setting; which one it is is not noted.
    table = place.partition("/")[0]
    return table in CHANGEABLE or table.partition(".")[0] in CHANGEABLE or table == RELAYS


def _named(places: Sequence[str], before: Mapping[str, str], now: Mapping[str, str]) -> Iterator[str]:
    for place in places:
        table, _, name = place.partition("/")
        if not name:
            yield place
            continue
        how = "new" if place not in before else "removed" if place not in now else "changed"
        yield f"{table.removesuffix('s')} {name} ({how})"


def _newer(settings: Settings, at_us: int) -> Iterator[str]:
    for path in (settings.people.file, settings.badges.directory):
        if path is None:
            continue
        with suppress(OSError):
            if path.stat().st_mtime_ns // 1_000 > at_us:
                yield str(path)
