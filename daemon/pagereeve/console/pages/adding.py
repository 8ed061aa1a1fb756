"""``/installation/add`` and ``/installation/import``: printers looked at, and then added, from a page.

Their state is the daemon's, which fills these values and shows the pages itself (app/installing).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal
from zoneinfo import ZoneInfo

from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import Asker
from pagereeve.console.pages.meter_seen import MeterSeen
from pagereeve.console.pages.shell import page

HERE: Final = "/installation"
ADD: Final = "/installation/add"
IMPORT: Final = "/installation/import"
SHOWN_MAX: Final = 100
GATEWAYS_MAX: Final = 1_000
# Names of the form's fields, in their order.
FIELDS: Final = ("name", "gateway", "host", "port", "access", "serial", "device", "site", "price_class", "text")

Came = Literal["added", "same", "refused", "not-written", "left-behind"]
CAME_TEXTS: Final[Mapping[Came, str]] = {
    "added": "Added to the settings, and in force.",
    "same": "Nothing changed: the settings have all of it already.",
    "refused": "Not added: the daemon refused the settings with it. What was written is taken away again.",
    "not-written": "Not added: nothing was written.",
    "left-behind": "Not added, and what was written could not be taken away again.",
}

KINDS: Final[Mapping[str, str]] = {"added": "new", "changed": "changed", "removed": "no longer listed"}


@dataclass(frozen=True, slots=True)
class Choice:
    value: str
    text: str


@dataclass(frozen=True, slots=True)
class Fragment:
    """What a person can put into ``target``. ``why`` says why the daemon can't; empty where it can."""

    text: str
    target: str
    why: str = ""


@dataclass(frozen=True, slots=True)
class AddShown:
    """``problems`` are (field or place, text). ``seen`` is there once its meter was asked. ``token`` proves forms."""

    token: str
    draft: str = ""
    is_over: bool = False
    values: Mapping[str, str] = field(default_factory=dict)
    pins: bool = True
    gateways: Sequence[Choice] = ()
    accesses: Sequence[Choice] = ()
    problems: Sequence[tuple[str, str]] = ()
    seen: MeterSeen | None = None
    fragment: Fragment | None = None
    came: Came | None = None
    why: str = ""
    unusable: str = ""


@dataclass(frozen=True, slots=True)
class ChangeShown:
    kind: str
    table: str
    name: str
    line: int
    details: str


@dataclass(frozen=True, slots=True)
class LookShown:
    """``troubles`` is empty where it answers."""

    name: str
    place: str
    model: str
    serial: str
    total: int | None
    troubles: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ImportShown:
    """``numbers`` are how many are added, changed, removed, the same. ``checked`` of ``to_check`` were looked at."""

    token: str
    draft: str = ""
    is_over: bool = False
    list_name: str = ""
    problems: Sequence[tuple[str, str]] = ()
    problems_left: int = 0
    is_planned: bool = False
    changes: Sequence[ChangeShown] = ()
    changes_left: int = 0
    numbers: Mapping[str, int] = field(default_factory=dict)
    columns_left: Sequence[str] = ()
    printers_after: int = 0
    to_check: int = 0
    checked: int = 0
    answer: int = 0
    is_checking: bool = False
    was_checked: bool = False
    check_trouble: str = ""
    looks: Sequence[LookShown] = ()
    looks_left: int = 0
    fragment: Fragment | None = None
    came: Came | None = None
    why: str = ""
    unusable: str = ""
    pasted: str = ""
    rows_max: int = 0


def add_page(asker: Asker, zone: ZoneInfo, shown: AddShown) -> HTMLResponse:
    return page("add_printer.html", asker, zone, HERE, shown=shown, came_texts=CAME_TEXTS)


def import_page(asker: Asker, zone: ZoneInfo, shown: ImportShown) -> HTMLResponse:
    return page("import_printers.html", asker, zone, HERE, shown=shown, came_texts=CAME_TEXTS, kinds=KINDS)
