"""Of a statement: pages that decisions charged beside the releases, as a table, on paper and as JSON."""

from __future__ import annotations

from typing import Any, Final
from zoneinfo import ZoneInfo

from rich.table import Table

from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.values.amounts import Figure
from pagereeve.domain.values.instants import to_text
from pagereeve.queries.statement_lines import DecidedPages, Statement
from pagereeve.reports.statements.markup import name, row, table_of, text
from pagereeve.reports.statements.words import channel_words
from pagereeve.reports.text import plain

HEADING: Final = "Charged by decisions"
_TAKEN_FROM: Final = {
    "unproven": "a claim that no count supports",
    "stray": "house:stray, counted without a release",
    "surplus": "house:surplus, counted beyond what is charged",
    "unattributed": "house:unattributed, counted and nobody could say for whom",
    "": "a claim that no count supports",
}
_NAMES: Final = ("of", "printer", "decision", "why", "taken from")


def decided_table(statement: Statement) -> Table:
    """For a terminal."""
    table = Table(title=HEADING.lower())
    for heading in (*_NAMES, *(("person",) if statement.named else ()), "channel"):
        table.add_column(heading)
    table.add_column("charged", justify="right")
    for one in statement.decided:
        who = (one.owner,) if statement.named else ()
        cells = (*_texts(one, statement.period.zone), *who, channel_words(one.channel, one.unit))
        table.add_row(*map(plain, cells), str(one.pages))
    return table


def decided_section(statement: Statement, figure: Figure = str) -> str:
    """For a page; "" where nothing was decided."""
    headings = [("w", one.capitalize()) for one in (*_NAMES, *(("person",) if statement.named else ()))]
    headings += [("w", "Channel, unit"), ("n", "Charged")]
    return table_of(headings, [_row(statement, one, figure) for one in statement.decided])


def _row(statement: Statement, one: DecidedPages, figure: Figure) -> str:
    at, printer, decision, why, taken = _texts(one, statement.period.zone)
    who = [("w", name(one.owner or "(none)"))] if statement.named else []
    cells = [("t", text(at)), ("w", name(printer)), ("w", name(decision)), ("w", text(why)), ("w", text(taken)), *who]
    return row([*cells, ("w", text(channel_words(one.channel, one.unit))), ("n", figure(one.pages))])


def _texts(one: DecidedPages, zone: ZoneInfo) -> tuple[str, str, str, str, str]:
    """When, printer, decision, why, taken from."""
    return local_text(one.at_us, zone), one.printer, one.decision, one.reason, _TAKEN_FROM[one.taken_from]


def decided_json(one: DecidedPages, zone: ZoneInfo, *, named: bool) -> dict[str, Any]:
    return {
        "decision": one.decision,
        "act": one.act,
        "reason": one.reason,
        "taken_from": one.taken_from or None,
        "at": to_text(one.at_us),
        "of": local_text(one.at_us, zone),
        "printer": one.printer,
        **({"person": one.owner} if named else {}),
        "channel": one.channel,
        "unit": one.unit or None,
        "billed": one.billed,
        "charged": one.pages,
    }
