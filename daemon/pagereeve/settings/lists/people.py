"""The people file: CSV whose head names what its columns say.

``login`` and, if wanted, ``name``, ``mail``, ``cost_centre``, ``from``, ``until`` and ``person`` (what the site calls
the person): several lines a person. A date is its beginning in the site's zone; empty is *always*, or *for good*.

Or the head is ``owner,cost_centre,from``: a date is then its midnight in UTC, and an owner may be there many times,
once for each move to another cost centre.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.people import People
from pagereeve.domain.accounts.people_plan import PersonLine, plan_people
from pagereeve.domain.accounts.periods import instant_of
from pagereeve.domain.facts.facts import Assigned
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.errors import BadFact
from pagereeve.settings.errors import BadList, Problem
from pagereeve.settings.lists.csv_rows import cell, csv_rows, head_of, instant
from pagereeve.settings.text_file import PROBLEMS_MAX

COLUMNS: Final = ("owner", "cost_centre", "from")
PERSON_COLUMNS: Final = ("login",)
PERSON_MORE: Final = ("name", "mail", "cost_centre", "from", "until", "person")
FILE: Final = "[people] file"


@dataclass(frozen=True, slots=True)
class PeopleList:
    """``lines`` of a list of persons, ``assigned`` of one of owners and cost centres: one of the two is empty."""

    source: str = ""
    assigned: tuple[Assigned, ...] = ()
    lines: tuple[PersonLine, ...] = ()

    def bad(self, problems: list[Problem]) -> BadList:
        return BadList(self.source, problems)


def read_people_list(path: Path, zone: ZoneInfo, setting: str = FILE) -> PeopleList:
    """Either kind. Raises BadSettings with the number of each bad line; ``setting`` is what names the file."""
    if "login" not in head_of(path, setting):
        return PeopleList(str(path), read_people(path, setting))
    problems: list[Problem] = []
    lines: list[PersonLine] = []
    for line, row in csv_rows(path, PERSON_COLUMNS, setting, PERSON_MORE):
        try:
            lines.append(_person_line(line, row, zone))
        except BadFact as error:
            problems.append(Problem(f"line {line}", str(error)))
        if len(problems) == PROBLEMS_MAX:
            raise BadList(str(path), [*problems, Problem("", "the rest was not looked at")])
    if not problems:
        # What lines say against one another is wrong whoever is known.
        ids = (f"p-{number:012x}" for number in range(len(lines)))
        plan = plan_people(People(), lines, ids, 0, "")
        problems = [Problem(f"line {one.line}", one.text) for one in plan.problems[:PROBLEMS_MAX]]
    if problems:
        raise BadList(str(path), problems)
    return PeopleList(str(path), (), tuple(lines))


def _person_line(line: int, row: Mapping[str, str], zone: ZoneInfo) -> PersonLine:
    """Raises BadFact."""
    login = cell(row, "login")
    name, mail, cost_centre, key = (
        cell(row, column) if row.get(column) else "" for column in ("name", "mail", "cost_centre", "person")
    )
    if "person" in row and not key:
        raise BadFact("person", "is empty; a list that calls persons by something of its own does so in each line")
    from_us = _instant(row.get("from", ""), "from", zone) or 0
    until_us = _instant(row.get("until", ""), "until", zone)
    if until_us is not None and until_us < from_us:
        raise BadFact("until", "is before from; write the first day on which the line holds no more")
    return PersonLine(line, login, from_us, until_us, key, name, mail, cost_centre)


def _instant(text: str, name: str, zone: ZoneInfo) -> int | None:
    if not text:
        return None
    try:
        return instant_of(text, zone, name)
    except BadQuestion:
        # The value is not repeated: where columns slipped, it may be anything.
        raise BadFact(name, "is no date; write 2026-01-31 or 2026-01-31T09:00:00Z") from None


def read_people(path: Path, setting: str = FILE) -> tuple[Assigned, ...]:
    """Every assignment of the file, in order of time and owner. Raises BadSettings with the number of each bad line."""
    problems: list[Problem] = []
    assigned: dict[tuple[int, str], Assigned] = {}
    for line, row in csv_rows(path, COLUMNS, setting):
        try:
            fact = Assigned(instant(row["from"], "from") or 0, cell(row, "owner"), cell(row, "cost_centre"))
        except BadFact as error:
            problems.append(Problem(f"line {line}", str(error)))
        else:
            known = assigned.setdefault((fact.at_us, owner_key(fact.owner)), fact)
            if known.cost_centre != fact.cost_centre:
                also = f" (also written {known.owner!r})" if known.owner != fact.owner else ""
                text = f"cost_centre: {fact.owner!r}{also} is in two cost centres from the same time on; keep one"
                problems.append(Problem(f"line {line}", text))
        if len(problems) == PROBLEMS_MAX:
            problems.append(Problem("", "the rest was not looked at"))
            break
    if problems:
        raise BadList(str(path), problems)
    return tuple(assigned[key] for key in sorted(assigned))
