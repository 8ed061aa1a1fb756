"""Closed periods and what stands in the way of closing one, as sentences, tables and JSON."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final, Literal, assert_never
from zoneinfo import ZoneInfo

from rich.table import Table

from pagereeve.domain.accounts.closing import Concern, OutOfOrder
from pagereeve.domain.accounts.entries import Adjustment
from pagereeve.domain.accounts.periods import Period, local_text
from pagereeve.domain.values.amounts import amount, form
from pagereeve.domain.values.instants import to_text
from pagereeve.domain.values.visible import visible
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.queries.adjustments import ChangesTo
from pagereeve.queries.closing import ClosingLook
from pagereeve.reports.sites_behind import site_json, sites_text

SHORT_DIGITS: Final = 16


def concern_text(one: Concern, at: Callable[[int], str] = to_text) -> str:
    """What it is, and what it costs to go on; ``at`` writes an instant."""
    pages = "" if one.pages is None else amount(one.pages, "page")
    some = f" ({', '.join(one.names)}{', ...' if len(one.names) < one.count else ''})" if one.names else ""
    printers = amount(one.count, "printer")
    releases, are = amount(one.count, "release"), form(one.count, "is", "are")
    sites = f"of {amount(one.count, 'site')} not all is here: {sites_text(one.sites, at)}"
    said = {
        "sites-behind": f"{sites}; what was counted there may be missing, and adjustments will follow",
        "windows-open": f"{releases} of it {are} not judged yet, with {pages} claimed: adjustments will follow",
        "pages-waiting": f"{pages or 'pages, nobody knows how many,'} at {printers}{some} are in no account yet",
        "findings-open": f"{amount(one.count, 'finding')}{some} of it {are} open{f', about {pages}' if pages else ''}",
        "meters-silent": f"{amount(one.count, 'meter')}{some} gave no count since it ended: pages of it may be unknown",
        "rows-damaged": f"{amount(one.count, 'row')} of the journal {are} damaged and left out",
        "not-conserved": f"accounts and meter differ by {pages} at {printers}{some}",
        "unproven": f"{releases} with {pages} claimed that no count supports: in no account",
    }
    return said[one.kind]


def trouble_text(period: Period, trouble: OutOfOrder) -> str:
    return f"{period.name} can't be closed: {trouble_reason(period, trouble)}"


def trouble_reason(period: Period, trouble: OutOfOrder, at: Callable[[int], str] | None = None) -> str:
    """Why, and what to do; ``at`` writes an instant."""
    at = at or partial(local_text, zone=period.zone)
    match trouble.trouble:
        case "no-ends":
            return "name a period with a beginning and an end, as 2026-11"
        case "closed-already":
            later = f"pagereeve changed --since {period.name} lists what came later"
            return f"it is closed already, and stays as it is; {later}"
        case "overlaps":
            return f"it shares days with {trouble.other}, which is closed already"
        case "before-closed":
            return f"{trouble.other}, which comes later, is closed already"
        case "not-over":
            return f"it ends at {at(trouble.at_us)}; close it then"
        case "earlier-open":
            since = at(trouble.at_us)
            return f"what came before is open since {since}; close that first, so that no gap is left"
    assert_never(trouble.trouble)


def hindered_text(period: Period, hindrances: Sequence[Concern]) -> str:
    at = partial(local_text, zone=period.zone)
    listed = "".join(f"\n  {concern_text(one, at)}" for one in hindrances)
    todo = "To close it all the same: --despite REASON"
    return f"{period.name} is not closed, as something stands in the way:{listed}\n{todo}"


def look_lines(look: ClosingLook) -> list[str]:
    """Of a period that can be closed."""
    at = partial(local_text, zone=look.period.zone)
    hinders = [f"In the way: {concern_text(one, at)}." for one in look.concerns if one.hinders]
    others = [f"Good to know: {concern_text(one, at)}." for one in look.concerns if not one.hinders]
    return [*(hinders or ["Nothing stands in the way."]), *others]


def concern_json(one: Concern) -> dict[str, Any]:
    return {
        "kind": one.kind,
        "hinders": one.hinders,
        "count": one.count,
        "pages": one.pages,
        "names": list(one.names),
        "sites": [site_json(site) for site in one.sites],
    }


def closed_json(one: ClosedPeriod) -> dict[str, Any]:
    known = one.closing
    return {
        "period": known.name,
        "zone": known.zone,
        "zone_database": known.database,
        "from": to_text(known.from_us),
        "to": to_text(known.to_us),
        "closed": to_text(known.at_us),
        "by": known.by,
        "despite": known.reason,
        "journal": known.journal,
        "head": f"{known.size}:{known.head}",
        "projection": known.version,
        "rows": one.rows,
        "sha256": one.sha256,
        "sha256_since_erasure": one.erased_sha256 or None,
    }


def closed_line(one: ClosedPeriod, zone: ZoneInfo) -> str:
    known = one.closing
    at, by = local_text(known.at_us, zone), visible(known.by)
    erased = "; names were erased in it since" if one.erased_sha256 else ""
    return f"{known.name} was closed at {at} by {by}: {amount(one.rows, 'row')}, SHA-256 {one.sha256}{erased}."


def made_of_line(one: ClosedPeriod, zone: ZoneInfo) -> str:
    """Beside an export or a table of it."""
    later = f"What came later: pagereeve changed --since {one.name}"
    return f"{closed_line(one, zone)} This is made of its frozen rows. {later}"


def closed_table(periods: Sequence[ClosedPeriod]) -> Table:
    table = Table(box=None)
    for name in ("period", "from", "to", "closed", "by", "head", "rows", "SHA-256", ""):
        table.add_column(name, justify="right" if name == "rows" else "left")
    for one in periods:
        known, zone = one.closing, ZoneInfo(one.closing.zone)
        times = [local_text(at_us, zone) for at_us in (known.from_us, known.to_us, known.at_us)]
        short = f"{known.size}:{known.head[:SHORT_DIGITS]}"
        marks = [f"despite: {visible(known.reason)}"] if known.reason else []
        marks += ["names erased since"] if one.erased_sha256 else []
        table.add_row(
            known.name, *times, visible(known.by), short, f"{one.rows}", one.sha256[:SHORT_DIGITS], "; ".join(marks)
        )
    return table


AdjustmentState = Literal["outstanding", "taken-over", "program"]
"""outstanding: no close has taken it over; taken-over: frozen among the rows of a later closed period; program: what
the program's own rules change, which posts nothing.
"""
STATES: Final[dict[AdjustmentState, str]] = {
    "outstanding": "outstanding",
    "taken-over": "taken over",
    "program": "the program's own",
}


@dataclass(frozen=True, slots=True)
class AdjustmentShown:
    """``by``: the closed period that took it over."""

    state: AdjustmentState
    adjustment: Adjustment
    by: str = ""


def shown_of(changes: ChangesTo) -> list[AdjustmentShown]:
    """What was taken over first, the earliest before the others."""
    return [
        *(AdjustmentShown("taken-over", one.correction.adjustment, one.by) for one in reversed(changes.taken)),
        *(AdjustmentShown("outstanding", one.adjustment) for one in changes.outstanding),
        *(AdjustmentShown("program", one) for one in changes.own),
    ]


def adjustment_json(closed: ClosedPeriod, one: AdjustmentShown) -> dict[str, Any]:
    key, adjustment = one.adjustment.key, one.adjustment
    return {
        "corrects": closed.name,
        "state": one.state,
        "taken_over_by": one.by or None,
        "account": key.account,
        "printer": key.printer,
        "channel": key.channel,
        "unit": key.unit or None,
        "source": key.source or None,
        "release": key.release or None,
        "was": adjustment.was,
        "now": adjustment.now,
        "pages": adjustment.pages,
    }


def adjustments_table(closed: ClosedPeriod, found: Sequence[AdjustmentShown]) -> Table:
    table = Table(box=None, title=f"Adjustments to {closed.name}", title_justify="left")
    for name in ("account", "printer", "channel", "release", "was", "now", "pages", "state"):
        table.add_column(name, justify="right" if name in {"was", "now", "pages"} else "left")
    for one in found:
        key, adjustment = one.adjustment.key, one.adjustment
        names = [visible(text) for text in (key.account, key.printer, key.channel, key.release)]
        state = f"{STATES[one.state]}{f' by {one.by}' if one.by else ''}"
        table.add_row(*names, f"{adjustment.was}", f"{adjustment.now}", f"{adjustment.pages:+}", state)
    return table
