"""The directory of badges: CSV with a head line ``badge,owner,from``, and ``until`` if wanted.

``from`` and ``until`` (not included) are dates, RFC 3339 times, or empty for *always*. A badge that goes to somebody
else has a line for each of its owners; two owners at one time stop the import: nobody may pay by another one's card.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path
from typing import Final

from pagereeve.domain.badges.form import BadBadge, BadgeForm, canonical_badge
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import FOREVER_US, to_text
from pagereeve.settings.errors import BadList, Problem
from pagereeve.settings.lists.csv_rows import cell, csv_rows, instant
from pagereeve.settings.text_file import PROBLEMS_MAX

COLUMNS: Final = ("badge", "owner", "from")
SETTING: Final = "[badges] directory"
_ROUNDED: Final = re.compile(r"\d[.,]\d+[Ee]\+\d+", re.ASCII)


@dataclass(frozen=True, slots=True)
class Binding:
    """One line: from ``from_us`` on, and before ``until_us``, the badge is the owner's. No repr has the number."""

    line: int
    owner: str
    from_us: int
    until_us: int | None
    canonical: str = field(repr=False)


def read_directory(path: Path, form: BadgeForm) -> tuple[Binding, ...]:
    """Every binding, in order of the lines. Raises BadSettings: bad lines, or a table of badges with two owners."""
    problems: list[Problem] = []
    by_badge: dict[str, list[Binding]] = {}
    for line, row in csv_rows(path, COLUMNS, SETTING, ("until",)):
        try:
            binding = _binding(line, row.get("until", ""), row["from"], cell(row, "owner"), cell(row, "badge"), form)
        except (BadFact, BadBadge) as error:
            problems.append(Problem(f"line {line}", str(error)))
        else:
            by_badge.setdefault(binding.canonical, []).append(binding)
        if len(problems) == PROBLEMS_MAX:
            problems.append(Problem("", "the rest was not looked at"))
            break
    problems += collisions(by_badge.values())
    if problems:
        raise BadList(str(path), problems)
    known = [binding for bindings in by_badge.values() for binding in bindings]
    return tuple(sorted(known, key=lambda one: one.line))


def _binding(line: int, until: str, since: str, owner: str, number: str, form: BadgeForm) -> Binding:
    from_us, until_us = instant(since, "from") or 0, instant(until, "until")
    if until_us is not None and until_us <= from_us:
        raise BadFact("until", "is not after from; a badge is held for some time, or has no line")
    if _ROUNDED.fullmatch(number):
        raise BadFact("badge", "was rounded by a spreadsheet (1.5E+15); export the column as text")
    return Binding(line, owner, from_us, until_us, canonical_badge(number, form))


def collisions(badges: Iterable[Sequence[Binding]]) -> list[Problem]:
    """A table of badges that two people hold at one time: by lines, as the numbers are nobody's business."""
    rows = [
        (left, right)
        for bindings in badges
        for left, right in combinations(bindings, 2)
        if owner_key(left.owner) != owner_key(right.owner) and _overlap(left, right)
    ]
    if not rows:
        return []
    width = max(len(one.owner) for pair in rows for one in pair)
    table = [f"{_cells(left, width)}   and   {_cells(right, width)}" for left, right in rows[:PROBLEMS_MAX]]
    if len(rows) > PROBLEMS_MAX:
        table.append(f"and {len(rows) - PROBLEMS_MAX} more")
    head = (
        f"{amount(len(rows), 'badge has', 'badges have')} two owners at the same time. "
        "Give one of the two lines an end date (until), or delete it:"
    )
    return [Problem("", "\n    ".join([head, *table]))]


def _overlap(left: Binding, right: Binding) -> bool:
    left_us = FOREVER_US if left.until_us is None else left.until_us
    right_us = FOREVER_US if right.until_us is None else right.until_us
    return left.from_us < right_us and right.from_us < left_us


def _cells(one: Binding, width: int) -> str:
    since = "always" if one.from_us == 0 else to_text(one.from_us)[:10]
    until = "" if one.until_us is None else f" until {to_text(one.until_us)[:10]}"
    return f"line {one.line:<6} {one.owner:<{width}} from {since}{until}"
