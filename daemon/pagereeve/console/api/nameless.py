"""What is left out for who may not see names."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from pagereeve.console.api.asker import Asker
from pagereeve.ports.closing import ClosedPeriod
from pagereeve.queries.statement_lines import Statement
from pagereeve.reports.closing import closed_json
from pagereeve.reports.exports.account import Made

UNNAMED: Final = {"by": None, "despite": None}


def closed_shown(closed: ClosedPeriod, asker: Asker) -> dict[str, Any]:
    """Without who closed it, and in which words."""
    return closed_json(closed) | ({} if asker.sees_names else UNNAMED)


def without_closer(body: dict[str, Any], asker: Asker) -> dict[str, Any]:
    """An answer whose member ``closed``, where there is one, names nobody who may not be named."""
    closed = body.get("closed")
    return body if asker.sees_names or not closed else body | {"closed": closed | UNNAMED}


def statement_shown(known: Statement, asker: Asker) -> Statement:
    """The same for what a statement says of the close that its rows are of."""
    frozen = known.as_closed
    if frozen is None or asker.sees_names:
        return known
    return replace(known, as_closed=replace(frozen, closed=_unnamed(frozen.closed)))


def made_shown(made: Made, asker: Asker) -> Made:
    """The same for what an export says of its making."""
    closed = made.closed
    if closed is None or asker.sees_names:
        return made
    return replace(made, closed=_unnamed(closed))


def _unnamed(closed: ClosedPeriod) -> ClosedPeriod:
    return replace(closed, closing=replace(closed.closing, by="", reason=""))
