"""What a verification finds wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

What = Literal[
    "edited",
    "removed",
    "inserted",
    "doubled",
    "reordered",
    "date-edited",
    "column-edited",
    "seal-edited",
    "seal-removed",
    "summary-edited",
    "claim-edited",
    "erased-otherwise",
    "archive-damaged",
    "archive-edited",
    "unreadable",
]


@dataclass(frozen=True, slots=True)
class Problem:
    """``printer`` and ``seq`` name a fact ("" is the site); ``position`` its place among all sealed facts, from 1.

    ``other`` is the number of the fact that it holds (``reordered``), repeats (``doubled``), or up to which facts or
    places are missing. ``columns`` are those that say something else than the fact. ``said`` is what the database said.
    """

    what: What
    printer: str = ""
    seq: int = 0
    position: int = 0
    other: int = 0
    columns: Sequence[str] = ()
    said: str = ""
