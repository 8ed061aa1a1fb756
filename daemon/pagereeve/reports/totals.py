"""Totals as JSON and as tables for people."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any, Final
from zoneinfo import ZoneInfo

from rich.table import Table

from pagereeve.domain.accounts.adjustment_rows import Adjusted
from pagereeve.domain.accounts.export_rows import ExportBy, ExportRow
from pagereeve.domain.accounts.periods import ALWAYS_US, Period, local_text
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod, EdgeStretch, PrinterAccounts
from pagereeve.domain.accounts.totals import By, Total
from pagereeve.domain.brackets.prints import WHOLE
from pagereeve.domain.ledger import ACCOUNT_KINDS, PEOPLE
from pagereeve.domain.values.instants import to_text
from pagereeve.queries.totals import TotalsAnswer
from pagereeve.reports.rows_json import stretch_json
from pagereeve.reports.seal import head_json
from pagereeve.reports.text import plain

NONE_SHOWN: Final = "(none)"
UNKNOWN_SHOWN: Final = "?"
METER_LINES: Final = {
    "meter_start": "meter at start",
    "meter_end": "meter at end",
    "meter_restarts": "meter restarts",
    "over_start": "over start",
    "over_end": "over end",
}
"""How the pages that belong to a period follow from the meter's figures: end - start + the three others."""

WAITING: Final = ("pages_waiting", "releases_waiting")
"""What is in no account yet, beside *conserved*: a day on which nothing is judged is conserved too."""


PRINTS_CONSERVED: Final = "prints only"


def total_json(by: ExportBy, line: Total) -> dict[str, Any]:
    return {
        by.replace("-", "_"): line.who or None,
        **({"id": line.person or None, "name": line.name or None} if by == "person" else {}),
        **figures_json(line),
        **({"also_written": list(line.also_written)} if by == "person" else {}),
    }


def figures_json(line: Total) -> dict[str, Any]:
    return {
        "channel": line.channel,
        "unit": line.unit or None,
        "billed": line.billed,
        "releases": line.releases,
        "released": line.released.pages,
        "released_unknown": line.released.unknown,
        "counted": line.counted.pages,
        "counted_unknown": line.counted.unknown,
        "charged": line.charged,
        "unproven": line.unproven,
        "verdicts": dict(line.verdicts),
    }


def house_json(by: ExportBy, row: ExportRow) -> dict[str, Any]:
    """By printer and by day, whose it is stands there too."""
    whose = {by.replace("-", "_"): row.who} if row.who else {}
    return whose | {"account": row.account, "channel": row.channel, "unit": row.unit or None, "pages": row.pages}


def decision_row_json(row: ExportRow) -> dict[str, Any]:
    """What a decision changes in one account; ``release`` is null where it is about a gap."""
    figures = Total("", row.channel, row.unit) if row.figures is None else row.figures
    release = None if row.charge is None else row.charge.release
    return {
        "decision": row.decision,
        "release": None if release is None else {"source": release.source, "release": release.release},
        "person": row.who or None,
        "account": row.account or None,
        "channel": row.channel,
        "unit": row.unit or None,
        "charged": figures.charged,
        "unproven": figures.unproven,
        "pages": row.pages,
    }


def adjustment_row_json(by: ExportBy, row: ExportRow) -> dict[str, Any]:
    """By release each names the release that it corrects, null where it is of none; else the sum of one account."""
    members: dict[str, Any] = {"corrects": row.corrects}
    if row.correction is not None:
        key = row.correction.adjustment.key
        release = {"source": key.source, "release": key.release} if key.release else None
        members |= {"printer": key.printer, "release": release, "person": row.who or None}
    elif by != "day":
        members |= {by.replace("-", "_"): row.who or None}
        if by == "person":
            known = row.figures
            members |= {"id": known.person or None, "name": known.name or None} if known else {"id": None, "name": None}
    return members | {
        "account": row.account,
        "channel": row.channel,
        "unit": row.unit or None,
        "pages": row.pages,
    }


def adjusted_json(one: Adjusted) -> dict[str, Any]:
    return {
        "corrects": one.corrects,
        "channel": one.channel,
        "unit": one.unit or None,
        "people": one.people,
        "house": one.house,
        "meters": one.meters,
    }


def total_row_json(row: ExportRow) -> dict[str, Any]:
    """``pages``: what the meters counted; the rest is the sum of people's rows."""
    figures = Total("", row.channel, row.unit) if row.figures is None else row.figures
    return {"account": row.account, **figures_json(figures), "pages": row.pages}


def spelling_lines(lines: Iterable[Total]) -> list[str]:
    """A line for each person whose name was written in more than one way."""
    also: dict[tuple[str, str, str], set[str]] = {}
    for line in lines:
        also.setdefault((line.who, line.person, line.name), set()).update(line.also_written)
    return [
        f"{plain(name or who)} is one person, also written {', '.join(plain(one) for one in sorted(names))}"
        for (who, _, name), names in also.items()
        if names
    ]


def name_shown(line: Total) -> str:
    """A person's name, where a list gives one, with the logins that wrote it."""
    return f"{line.name} ({', '.join(line.logins)})" if line.name else line.who or NONE_SHOWN


def accounts_json(line: PrinterAccounts) -> dict[str, Any]:
    return {
        "printer": line.printer,
        "channel": line.channel,
        "unit": line.unit or None,
        **{name: getattr(line, name) for name in METER_LINES},
        "counted": line.counted,
        **line.received,
        "conserved": line.conserved,
        "prints_alone": line.prints_alone,
        **{name: getattr(line, name) for name in WAITING},
    }


def edge_json(one: EdgeStretch) -> dict[str, Any]:
    """The stretch, and how many of its pages belong to the period."""
    return {"pages": one.pages, "stretch": stretch_json(one.stretch)}


def period_json(period: Period) -> dict[str, Any]:
    return {
        "name": period.name,
        "zone": period.zone.key,
        "from": None if period.from_us <= 0 else to_text(period.from_us),
        "to": None if period.to_us >= ALWAYS_US else to_text(period.to_us),
    }


def answer_json(answer: TotalsAnswer) -> dict[str, Any]:
    """``seal`` is there where a journal was read. People's ``charged`` and the house's pages come to ``total``."""
    rows = answer.rows()
    return {
        "period": period_json(answer.period),
        "by": answer.by,
        "totals": [total_json(answer.by, one) for one in answer.lines],
        "house": [house_json(answer.by, row) for row in rows if row.kind == "house"],
        "adjustments": [adjustment_row_json(answer.by, row) for row in rows if row.kind == "adjustment"],
        "total": [total_row_json(row) for row in rows if row.kind == "total"],
        "accounts": [accounts_json(line) for line in answer.accounts.lines],
        "edges": [edge_json(one) for one in answer.accounts.edges],
        **({} if answer.seal is None else {"seal": head_json(answer.seal)}),
    }


def period_line(period: Period, what: str = "Releases started") -> str:
    """The period in words, with both ends in its zone; ``what`` belongs to it."""
    begins = "the beginning" if period.from_us <= 0 else local_text(period.from_us, period.zone)
    ends = "now" if period.to_us >= ALWAYS_US else f"just before {local_text(period.to_us, period.zone)}"
    name = "" if period.from_us <= 0 and period.to_us >= ALWAYS_US else f" in {period.name}"
    return f"{what}{name}: from {begins} to {ends} ({period.zone.key})"


# The column of pages; on screens "unproven" is a verdict alone. JSON and exports keep their name.
UNSUPPORTED: Final = "unsupported"
LEGEND: Final = (
    "released: claimed; counted: by the meter; charged: by policy; unsupported: claimed, and no count supports it\n"
    "?: no release said a figure; +2?: two more said none; (part): counted within the channel that is billed;\n"
    "(all functions): counts copies and faxes too, beside the prints that are billed"
)


ADJUSTED: Final = "; the total is what the meters counted here, and by how much they counted otherwise there"


def totals_table(by: By, lines: Sequence[Total]) -> Table:
    """For people: billed channels first."""
    table = _totals_table(by, ())
    for line in lines:
        table.add_row(*_named(name_shown(line), line), *_figures(line), _verdicts(line))
    return table


def _beside(line: Total) -> str:
    """What a channel that is not billed is."""
    return "" if line.billed else " (all functions)" if line.channel == WHOLE else " (part)"


def rows_table(by: ExportBy, rows: Iterable[ExportRow]) -> Table:
    """People, house accounts, and what the meters counted: the column ``pages`` adds up."""
    shown = list(rows)
    about = "\npages: received by people and house accounts; they add up to the total"
    if any(row.kind == "adjustment" for row in shown):
        about += f"\nadjusts: corrects a closed period{ADJUSTED}"
    table = _totals_table(by, ("pages",), about)
    for row in shown:
        line = Total(row.who, row.channel, row.unit) if row.figures is None else row.figures
        name = _row_name(row)
        bare = row.figures is None or row.kind == "adjustment"
        figures = ("", "", "", "", "") if bare else _figures(line)
        verdicts = _verdicts(line) if row.kind == "people" else ""
        end_section = row.kind == "total"
        table.add_row(*_named(name, line), *figures, str(row.pages), verdicts, end_section=end_section)
    return table


def _row_name(row: ExportRow) -> str:
    if row.kind == "people":
        return row.who or NONE_SHOWN if row.figures is None else name_shown(replace(row.figures, who=row.who))
    if row.kind == "adjustment":
        who = row.who if row.figures is None else name_shown(row.figures)
        account = "" if row.account == PEOPLE else row.account
        return f"{' '.join(one for one in (who, account) if one)} (adjusts {row.corrects})"
    return "TOTAL" if row.kind == "total" else f"{row.who} {row.account}".strip()


def _totals_table(by: ExportBy, more: Sequence[str], about: str = "") -> Table:
    table = Table(caption=LEGEND + about)
    table.add_column(by.replace("-", " "))
    table.add_column("channel")
    for heading in ("releases", "released", "counted", "charged", UNSUPPORTED, *more):
        table.add_column(heading, justify="right")
    table.add_column("verdicts")
    return table


def _named(name: str, line: Total) -> tuple[str, str]:
    return plain(name), plain(f"{line.channel}{_beside(line)}") + (f", {line.unit}" if line.unit else "")


def _figures(line: Total) -> tuple[str, ...]:
    return (
        str(line.releases),
        _shown(line.released.pages, line.released.unknown),
        _shown(line.counted.pages, line.counted.unknown),
        str(line.charged),
        str(line.unproven),
    )


def _verdicts(line: Total) -> str:
    return ", ".join(f"{count} {verdict}" for verdict, count in line.verdicts.items() if count)


def answer_tables(answer: TotalsAnswer, *, meters: bool = True) -> list[Table]:
    """``meters``: with how each printer's pages follow from its meter's figures."""
    shown = accounts_tables(answer.accounts, answer.period.zone) if meters else []
    return [rows_table(answer.by, answer.rows()), *shown]


def accounts_tables(accounts: AccountsOfPeriod, zone: ZoneInfo) -> list[Table]:
    """How the pages of the period follow from the meters' figures, who received them, and what lies over an edge."""
    tables = [_meter_table(accounts.lines), accounts_table(accounts.lines)]
    return [*tables, _edges_table(accounts.edges, zone)] if accounts.edges else tables


def _meter_table(lines: Sequence[PrinterAccounts]) -> Table:
    caption = "end - start + restarts + over start + over end = pages of the period"
    table = _table("what the meters counted", METER_LINES.values(), "pages", caption)
    for line in lines:
        figures = [getattr(line, name) for name in METER_LINES]
        shown = (UNKNOWN_SHOWN if figure is None else str(figure) for figure in figures)
        table.add_row(*_channel_cells(line), *shown, str(line.counted))
    return table


def accounts_table(lines: Sequence[PrinterAccounts]) -> Table:
    """Every page that the meters counted, and who received it."""
    caption = (
        "surplus: counted beyond what is charged; a finding counts beyond the most that was expected, maybe fewer\n"
        "waiting: counted since the last cut, or released, and not judged yet"
    )
    if any(line.prints_alone for line in lines):
        caption += f"\n{PRINTS_CONSERVED}: the meter counts prints alone; how many copies came out nobody knows"
    figures = ("pages", *ACCOUNT_KINDS, "conserved", "pages waiting")
    table = _table("every page counted, and where it went", figures, "releases waiting", caption)
    for line in lines:
        received = (str(line.received[kind]) for kind in ACCOUNT_KINDS)
        waiting = (UNKNOWN_SHOWN if one is None else str(one) for one in (getattr(line, name) for name in WAITING))
        table.add_row(*_channel_cells(line), str(line.counted), *received, _conserved(line, "NO"), *waiting)
    return table


def _conserved(line: PrinterAccounts, no: str) -> str:
    """Of a meter that counts prints alone only they are, and nothing is claimed of what it can't see."""
    if not line.conserved:
        return no
    return PRINTS_CONSERVED if line.prints_alone else "yes"


def _edges_table(edges: Sequence[EdgeStretch], zone: ZoneInfo) -> Table:
    table = _table("stretches over an edge of the period", ("opens", "closes", "counted"), "of the period")
    for one in edges:
        stretch = one.stretch
        place = (plain(stretch.printer), plain(f"{stretch.channel}, {stretch.unit.value}"))
        span = (local_text(stretch.opens_us, zone), local_text(stretch.closes_us, zone))
        table.add_row(*place, *span, str(stretch.counted), str(one.pages))
    return table


def _table(title: str, figures: Iterable[str], last: str, caption: str | None = None) -> Table:
    table = Table(title=title, caption=caption)
    for heading in ("printer", "channel"):
        table.add_column(heading)
    for heading in (*figures, last):
        table.add_column(heading, justify="right")
    return table


def _channel_cells(line: PrinterAccounts) -> tuple[str, str]:
    return plain(line.printer), plain(f"{line.channel}, {line.unit}" if line.unit else line.channel)


def _shown(pages: int | None, unknown: int) -> str:
    if pages is None:
        return UNKNOWN_SHOWN
    return f"{pages} +{unknown}?" if unknown else str(pages)
