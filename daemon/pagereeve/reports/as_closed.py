"""What an answer about a closed period says of itself, in words and as JSON."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final
from zoneinfo import ZoneInfo

from pagereeve.domain.values.amounts import amount
from pagereeve.queries.as_closed import AsClosed, Lack
from pagereeve.reports.closing import closed_json, closed_line

LACKS: Final[Mapping[Lack, str]] = {
    "stretches": (
        "Between which readings its pages were counted is not frozen: an entry is of a release, or of what a house "
        "account received on a day."
    ),
    "causes": "The close froze no causes: what these pages came of is not said.",
    "prices": "The close froze no prices: its frozen pages are shown at the prices of the settings of today.",
}


def made_lines(one: AsClosed) -> list[str]:
    """What it is made of, and what of it was not frozen: the same whenever it is asked for."""
    zone = ZoneInfo(one.closed.closing.zone)
    made = f"{closed_line(one.closed, zone)} This is made of its frozen rows."
    return [made, *(LACKS[lack] for lack in one.lacks)]


def changed_line(one: AsClosed) -> str:
    return f"Changed since: {amount(one.changed, 'page')}; see pagereeve changed --since {one.closed.name}"


def as_closed_lines(one: AsClosed) -> list[str]:
    return [*made_lines(one), changed_line(one)]


def as_closed_json(one: AsClosed | None) -> dict[str, Any]:
    """Of what is open, and is not made of frozen rows, null."""
    if one is None:
        return {"closed": None}
    return {"closed": {**closed_json(one.closed), "changed_pages": one.changed, "not_frozen": list(one.lacks)}}
