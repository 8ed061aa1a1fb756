"""A statement as tables for a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from rich.console import RenderableType
from rich.table import Table

from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.accounts.rates import Bill
from pagereeve.queries.statement_lines import Statement
from pagereeve.reports.as_closed import as_closed_lines
from pagereeve.reports.costs import channel_pages_text
from pagereeve.reports.seal import head_line
from pagereeve.reports.sentences import GRADES
from pagereeve.reports.statements.decided import decided_table
from pagereeve.reports.statements.words import (
    ADJUSTMENTS,
    ADJUSTMENTS_SAY,
    CAUTIONS,
    LATE,
    NOT_JUDGED,
    channel_words,
    correction_words,
    figure,
    grade_words,
    summary_of,
    title_of,
    verdict_words,
    when_of,
)
from pagereeve.reports.text import plain
from pagereeve.reports.totals import accounts_tables

FIGURES: Final = ("released", "counted", "charged", "unproven")


def statement_parts(statement: Statement) -> Iterator[RenderableType]:
    """From the heading to what to keep in mind."""
    yield plain(title_of(statement.subject))
    yield plain(when_of(statement))
    if statement.as_closed is not None:
        yield from map(plain, as_closed_lines(statement.as_closed))
    if statement.also_written:
        yield f"Also written {plain(', '.join(statement.also_written))}."
    yield from _figures(statement)
    yield plain(summary_of(statement))
    if statement.accounts is not None:
        yield from accounts_tables(statement.accounts, statement.period.zone)
    if statement.bill is not None:
        yield plain(_costs(statement.bill))
    yield from map(plain, _late(statement))
    if statement.adjustments:
        yield _adjustments(statement)
        yield ADJUSTMENTS_SAY
    for caution in statement.cautions:
        yield plain(f"- {CAUTIONS[caution]}")
    if statement.seal is not None:
        yield plain(f"Made from {head_line(statement.seal)}.")


def _figures(statement: Statement) -> Iterator[RenderableType]:
    if statement.lines:
        yield _releases(statement)
    if statement.decided:
        yield decided_table(statement)
    if statement.sums:
        yield _sums(statement)
    if statement.lines:
        yield _grades(statement)


def _costs(bill: Bill) -> str:
    amounts = ", ".join(f"{one.text} {one.currency}" for one in bill.amounts()) or "nothing"
    without = f"; {channel_pages_text(bill.unpriced)} pages without a price" if bill.unpriced else ""
    return f"Costs of the charged pages, rounded once: {amounts}{without}."


def _late(statement: Statement) -> Iterator[str]:
    for line in statement.lines:
        name = line.first.release.release
        for one in line.corrections:
            yield f"{name}: {correction_words(one, statement.period.zone)}."
        if line.late:
            yield f"{name}: {LATE}"


def _table(*names: str) -> Table:
    table = Table()
    for name in names:
        table.add_column(name, justify="right" if name in {*FIGURES, "releases"} else "left")
    return table


def _releases(statement: Statement) -> Table:
    person = ("person",) if statement.named else ()
    table = _table("started", "printer", "release", *person, *FIGURES, "verdict", "evidence")
    for line in statement.lines:
        for charge in line.charges or line.parts[:1]:
            started = local_text(charge.started_us, statement.period.zone)
            owner = (plain(charge.owner),) if statement.named else ()
            figures = (charge.released, charge.counted, charge.charged, charge.unproven)
            table.add_row(
                started,
                plain(charge.printer),
                plain(charge.release.release),
                *owner,
                *map(figure, figures),
                verdict_words(charge.verdict),
                grade_words(charge.grade),
            )
    return table


def _adjustments(statement: Statement) -> Table:
    table = Table(title=ADJUSTMENTS)
    for heading in ("corrects", "account", "printer", "release", "channel", "pages"):
        table.add_column(heading, justify="right" if heading == "pages" else "left")
    for one in statement.adjustments:
        names = (one.corrects, one.person or one.account, one.printer, one.release)
        table.add_row(*map(plain, names), plain(channel_words(one.channel, one.unit)), f"{one.pages:+}")
    return table


def _sums(statement: Statement) -> Table:
    table = _table("channel", "releases", *FIGURES)
    for one in statement.sums:
        known = (one.released.pages, one.counted.pages, one.charged, one.unproven)
        beside = "" if one.billed else " (beside what is billed)"
        table.add_row(plain(channel_words(one.channel, one.unit) + beside), str(one.releases), *map(figure, known))
    return table


def _grades(statement: Statement) -> Table:
    table = _table("grade", "releases", "charged", "unproven", "says")
    for one in statement.grades:
        figures = (str(one.releases), str(one.charged), str(one.unproven))
        grade, says = (NOT_JUDGED, "") if one.grade is None else (one.grade.value, GRADES[one.grade])
        table.add_row(grade, *figures, says)
    return table
