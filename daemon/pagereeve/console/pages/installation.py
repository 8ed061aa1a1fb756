"""``/installation``: which gateways and printers there are, how well each is known, and how one is added.

Nothing is asked of the network: it is what the settings say, and what the journal shows.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import Asking
from pagereeve.console.api.context import ApiContext, Context
from pagereeve.console.api.paging import Asked, Cursor, next_page, place_of
from pagereeve.console.api.site import AskedPrinter, AskedSite
from pagereeve.console.pages.begun import Beginning, BegunRoute
from pagereeve.domain.facts.reading import UnitGrade
from pagereeve.domain.findings.wording import SILENCES
from pagereeve.domain.ledger import SEVERITIES
from pagereeve.queries.installation import JournalState, journal_state
from pagereeve.queries.meters import Fleet, MeterState, fleet_of
from pagereeve.queries.units import UnitStanding
from pagereeve.reports.doctor.complaint import Complaint
from pagereeve.reports.doctor.fleet import SILENT_AFTER_US, by_ipp, gateways, panels, printers, units
from pagereeve.reports.doctor.keeping import silent_feeds
from pagereeve.reports.doctor.outlets import receivers
from pagereeve.reports.doctor.state import InstallationState
from pagereeve.reports.units import GRADES

HERE: Final = "/installation"
ROWS_MAX: Final = 100
GATEWAYS_MAX: Final = 200
STRANGERS_MAX: Final = 20
UNPROVEN: Final = "never proven"
ASSUMED: Final = "its unit is assumed"
# A page's end: the gateway and the name of its last printer.
PLACE: Final = (str, str)

router = APIRouter(include_in_schema=False, route_class=BegunRoute)


class InstallationAsked(Asked):
    show: Literal["lacking", "all"] = "lacking"
    after: Cursor = None


@dataclass(frozen=True, slots=True)
class PrinterRow:
    """``lacks``: what keeps it from being ready, in words; empty where nothing does. ``read_us``: its last reading."""

    name: str
    gateway: str
    site: str
    read_us: int | None
    unit: str
    unit_says: str
    proven_us: int | None
    by_entry: bool
    lacks: tuple[str, ...]

    @property
    def only_unproven(self) -> bool:
        return self.lacks == (UNPROVEN,)

    @property
    def place(self) -> tuple[str, str]:
        return self.gateway, self.name


@dataclass(frozen=True, slots=True)
class GatewayRow:
    """``checked``: the settings say where it shows a sign of life; ``down_us``: since when that fails. ``proven_us``
    is the last proof of a printer behind it; of ``unproven`` and ``assumed`` none was ever proven, or the unit is
    assumed.
    """

    name: str
    host: str
    checked: bool
    printers: int
    ready: int
    only_unproven: int
    down_us: int | None
    proven_us: int | None
    unproven: int
    assumed: int


@dataclass(frozen=True, slots=True)
class _Seen:
    fleet: Fleet
    journal: JournalState
    known: Sequence[str]


@router.get(HERE)
async def installation(
    request: Request, context: Context, asker: Asking, begun: Beginning, asked: Annotated[InstallationAsked, Query()]
) -> HTMLResponse:
    after, now_us, site = place_of(asked.after, PLACE), context.now_us(), context.site
    begun.shows("installation.html", asker, site.zone, HERE, now_us=now_us)
    seen = await _seen(context, now_us)
    rows = sorted(_rows(site, seen, now_us), key=lambda one: one.place)
    chosen = [one for one in rows if one.lacks or asked.show == "all"]
    behind = [one for one in chosen if after is None or one.place > after]
    shown = behind[:ROWS_MAX]
    strangers = _strangers(site, seen.known)
    found = gateway_rows(site, rows, seen.fleet)
    return begun.page(
        asked=asked,
        complaints=complaints_of(seen.journal, site, now_us),
        rows=shown,
        chosen=len(chosen),
        printers=len(rows),
        ready=sum(not one.lacks for one in rows),
        only_unproven=sum(one.only_unproven for one in rows),
        next=next_page(request, shown[-1].place) if len(behind) > len(shown) else None,
        gateways=found[:GATEWAYS_MAX],
        gateways_left=max(0, len(found) - GATEWAYS_MAX),
        strangers=strangers[:STRANGERS_MAX],
        strangers_left=max(0, len(strangers) - STRANGERS_MAX),
    )


async def _seen(context: ApiContext, now_us: int) -> _Seen:
    names = [one.name for one in context.site.printers]
    async with context.question() as held:
        fleet, known = await fleet_of(held), await held.printers()
        journal = await journal_state(held, names, now_us=now_us, daemon_runs=True)
    return _Seen(fleet, journal, known)


def complaints_of(known: JournalState, site: AskedSite, now_us: int) -> list[Complaint]:
    """What the doctor says of gateways, printers, feeds and receivers, the worst first: nothing of the machine."""
    state = InstallationState(
        now_us=now_us,
        listen="",
        data_dir="",
        zone=site.site.zone,
        newest_us=known.newest_us,
        printers=len(site.printers),
        quiet=known.quiet,
        gateways_down=known.gateways_down,
        waiting_us=known.waiting_us,
        units=known.units,
        panels_off=known.panels_off,
        silent_feeds=known.silent_feeds,
    )
    looks = (gateways, printers, silent_feeds, receivers, panels, units, by_ipp)
    found = [complaint for look in looks for complaint in look(state)]
    return sorted(found, key=lambda one: SEVERITIES.index(one.severity))


def _rows(site: AskedSite, seen: _Seen, now_us: int) -> Iterable[PrinterRow]:
    standings = {one.printer: one for one in seen.journal.units}
    for one in site.printers:
        down = one.gateway in seen.fleet.down
        yield printer_row(
            one, seen.fleet.meter(one.name), standings.get(one.name), seen.journal.proven_us, now_us, down=down
        )


def printer_row(
    one: AskedPrinter,
    state: MeterState,
    unit: UnitStanding | None,
    proven_us: Mapping[str, int],
    now_us: int,
    *,
    down: bool,
) -> PrinterRow:
    """A unit that the entry says is proven needs no note of a proof."""
    by_entry = unit is not None and unit.grade is UnitGrade.PROVEN and one.name not in proven_us
    lacks = ["its gateway does not answer"] if down else []
    if state.silence is not None and not down:
        lacks.append(SILENCES[state.silence.reason])
    if state.plateau is None:
        lacks.append("no reading ever came")
    elif state.silence is None and state.plateau.last_received_us < now_us - SILENT_AFTER_US:
        lacks.append("no reading for more than a day")
    if unit is not None and unit.grade is UnitGrade.ASSUMED:
        lacks.append(ASSUMED)
    if one.name not in proven_us and not by_entry:
        lacks.append(UNPROVEN)
    return PrinterRow(
        name=one.name,
        gateway=one.gateway or "",
        site=one.site,
        read_us=None if state.plateau is None else state.plateau.last_received_us,
        unit="" if unit is None else unit.unit.value,
        unit_says="" if unit is None else GRADES[unit.grade],
        proven_us=proven_us.get(one.name),
        by_entry=by_entry,
        lacks=tuple(lacks),
    )


def gateway_rows(site: AskedSite, rows: Iterable[PrinterRow], fleet: Fleet) -> list[GatewayRow]:
    """In the settings' order."""
    behind: dict[str, list[PrinterRow]] = {}
    for row in rows:
        behind.setdefault(row.gateway, []).append(row)
    return [
        GatewayRow(
            name=one.name,
            host=one.host or "",
            checked=one.checked,
            printers=len(own := behind.get(one.name, [])),
            ready=sum(not row.lacks for row in own),
            only_unproven=sum(row.only_unproven for row in own),
            down_us=fleet.down.get(one.name),
            proven_us=max((row.proven_us for row in own if row.proven_us is not None), default=None),
            unproven=sum(UNPROVEN in row.lacks for row in own),
            assumed=sum(ASSUMED in row.lacks for row in own),
        )
        for one in site.gateways
    ]


def _strangers(site: AskedSite, known: Collection[str]) -> list[str]:
    """Names that notices or readings hold, and that the settings do not have."""
    registered = {one.name for one in site.printers}
    return sorted(name for name in known if name and name not in registered)
