"""The people file: CSV with a head line ``owner,cost_centre,from``.

``from`` is a date (its midnight in UTC) or an RFC 3339 time, or empty for *always*. An owner may be there many
times, once for each move to another cost centre.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

from pagereeve.domain.facts.facts import Assigned
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.values.errors import BadFact
from pagereeve.settings.errors import BadList, Problem
from pagereeve.settings.lists.csv_rows import cell, csv_rows, instant
from pagereeve.settings.text_file import PROBLEMS_MAX

COLUMNS: Final = ("owner", "cost_centre", "from")


def read_people(path: Path) -> tuple[Assigned, ...]:
    """Every assignment of the file, in order of time and owner. Raises BadSettings with the number of each bad line."""
    problems: list[Problem] = []
    assigned: dict[tuple[int, str], Assigned] = {}
    for line, row in csv_rows(path, COLUMNS, "[people] file"):
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
