"""A supplier's statement of meters: CSV with a head line ``serial,opening,opening_date,closing,closing_date``, and
``counter`` (total, mono, colour, ...) if wanted.

Dates are days of the site's zone, or RFC 3339 times; of a day any instant is meant.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.periods import instant_of, period_of
from pagereeve.domain.accounts.supplier_bill import BilledFigure, BillLine
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.errors import BadFact
from pagereeve.settings.errors import BadSettings, Problem
from pagereeve.settings.lists.csv_rows import cell, csv_rows
from pagereeve.settings.text_file import PROBLEMS_MAX

COLUMNS: Final = ("serial", "opening", "opening_date", "closing", "closing_date")
COUNTER: Final = "counter"
DEFAULT_COUNTER: Final = "total"
_FIGURE: Final = re.compile(r"[0-9]{1,15}", re.ASCII)
_DAY: Final = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)


def read_bill(path: Path, zone: ZoneInfo) -> tuple[BillLine, ...]:
    """Every line, in order. Raises BadSettings with the number of each bad line."""
    problems: list[Problem] = []
    lines: list[BillLine] = []
    for number, row in csv_rows(path, COLUMNS, "the command line", (COUNTER,)):
        try:
            lines.append(_line(number, row, zone))
        except BadFact as error:
            problems.append(Problem(f"line {number}", str(error)))
        if len(problems) == PROBLEMS_MAX:
            problems.append(Problem("", "the rest was not looked at"))
            break
    if problems:
        raise BadSettings(str(path), problems)
    return tuple(lines)


def _line(number: int, row: Mapping[str, str], zone: ZoneInfo) -> BillLine:
    opening, closing = _billed("opening", row, zone), _billed("closing", row, zone)
    if closing.until_us < opening.from_us:
        raise BadFact("closing_date", "comes before opening_date; are the two columns exchanged?")
    return BillLine(number, cell(row, "serial"), row.get(COUNTER, "") or DEFAULT_COUNTER, opening, closing)


def _billed(name: str, row: Mapping[str, str], zone: ZoneInfo) -> BilledFigure:
    text, date = cell(row, name), f"{name}_date"
    if not _FIGURE.fullmatch(text):
        raise BadFact(name, "is no whole number; write it with digits alone, as 48211")
    when = cell(row, date)
    try:
        if _DAY.fullmatch(when):
            day = period_of(when, zone)
            return BilledFigure(int(text), day.from_us, day.to_us - 1)
        at_us = instant_of(when, zone, date)
    except BadQuestion as error:
        raise BadFact(date, f"is no date ({error.problem}); write 2026-01-31 or 2026-01-31T09:00:00Z") from error
    return BilledFigure(int(text), at_us, at_us)
