"""A period's accounts in parts, one for each printer: what one printer's rows come to hangs on no other's."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TypeVar

from pagereeve.domain.accounts.period_sums import PeriodSums
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod, EdgeStretch, PrinterAccounts, accounts_of
from pagereeve.domain.accounts.totals import Total, ordered

Row = TypeVar("Row")


@dataclass(frozen=True, slots=True)
class PrinterPart:
    """To be read only. Pages that wait are in no line: they follow from readings."""

    totals: tuple[Total, ...] = ()
    lines: tuple[PrinterAccounts, ...] = ()
    edges: tuple[EdgeStretch, ...] = ()


def parts_of(period: Period, sums: PeriodSums) -> dict[str, PrinterPart]:
    """By printer; one with nothing in the period has none."""
    accounts = accounts_of(period, sums)
    totals = _by_printer((one.who, one) for one in sums.by_printer)
    lines = _by_printer((one.printer, one) for one in accounts.lines)
    edges = _by_printer((one.stretch.printer, one) for one in accounts.edges)
    return {
        printer: PrinterPart(
            tuple(totals.get(printer, ())), tuple(lines.get(printer, ())), tuple(edges.get(printer, ()))
        )
        for printer in {*totals, *lines, *edges}
    }


def accounts_with(parts: Mapping[str, PrinterPart], waiting: Mapping[tuple[str, str], int | None]) -> AccountsOfPeriod:
    """As printer_accounts.accounts_of all of them together."""
    known = [parts[printer] for printer in sorted(parts)]
    lines = (_waiting(line, waiting) if line.releases_waiting else line for one in known for line in one.lines)
    return AccountsOfPeriod(tuple(lines), tuple(edge for one in known for edge in one.edges))


def totals_of(parts: Mapping[str, PrinterPart]) -> list[Total]:
    return ordered(total for one in parts.values() for total in one.totals)


def _waiting(line: PrinterAccounts, waiting: Mapping[tuple[str, str], int | None]) -> PrinterAccounts:
    return replace(line, pages_waiting=waiting.get((line.printer, line.channel)))


def _by_printer(rows: Iterable[tuple[str, Row]]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for printer, row in rows:
        found.setdefault(printer, []).append(row)
    return found
