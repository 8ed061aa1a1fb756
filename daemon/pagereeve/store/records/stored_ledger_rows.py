"""Rows of the plain-text ledger made of stored ones: very many, so no column is looked up by name."""

from __future__ import annotations

import json
from collections.abc import Iterable
from functools import lru_cache
from typing import Any, Final

from pagereeve.domain.accounts.ledger_rows import LedgerRow
from pagereeve.domain.ledger import is_meter

Parts = dict[tuple[str, int, int], list[tuple[str, int]]]
"""Of each posting's place (printer, anchor, ordinal) the legs in their order."""

STRETCH_SAYS: Final = ("counted", "unit", "releases", "grade", "verdict", "reasons")
"""What is read of a stretch, behind the seven columns of its posting."""
TEXTS_KEPT: Final = 512
_decoded: Final = json.JSONDecoder().raw_decode


def ledger_rows_of(rows: Iterable[Any], parts: Parts) -> list[LedgerRow]:
    """``rows`` in order, those of one posting together, one for each stretch at its place (none: with nulls)."""
    made: list[LedgerRow] = []
    before: tuple[str, int, int] | None = None
    for row in rows:
        closes_us, printer, run, channel, opens_us, anchor_us, ordinal, counted, unit, *said = row
        place = (printer, anchor_us, ordinal)
        if place == before:
            # Several lie between the same cuts: the first that counted what the meter gave (membership.StretchIndex).
            if made[-1].unit is not None:
                continue
            made.pop()
        before = place
        legs = tuple(parts.get(place, ()))
        if unit is None or counted != -sum([pages for account, pages in legs if is_meter(account)]):
            made.append(LedgerRow(printer, run, channel, opens_us, closes_us, legs, closes_us))
            continue
        releases, grade, verdict, reasons = said
        theirs = (_releases(releases), grade, verdict, _reasons(reasons))
        made.append(LedgerRow(printer, run, channel, opens_us, closes_us, legs, closes_us, unit, *theirs))
    return made


@lru_cache(maxsize=TEXTS_KEPT)
def _releases(text: str) -> tuple[tuple[str, str], ...]:
    """The channels of a meter have the same."""
    return tuple([(source, release) for source, release in _decoded(text)[0]])


@lru_cache(maxsize=TEXTS_KEPT)
def _reasons(text: str) -> tuple[str, ...]:
    """Thousands of rows have the same few."""
    return tuple(_decoded(text)[0])
