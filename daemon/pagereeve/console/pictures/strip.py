"""The strip: where the counted pages went, in parts that add up to what the meters counted, and what is missing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from pagereeve.queries.now import Strip

PartName = Literal["people", "known", "waits", "missing", "unbalanced"]
WIDTH: Final = 1_000
# However few pages they are, they must be seen.
LEAST: Final = 6


@dataclass(frozen=True, slots=True)
class Part:
    """``x`` and ``width`` are of WIDTH."""

    name: PartName
    pages: int
    x: int
    width: int


def strip_parts(strip: Strip) -> list[Part]:
    """From left to right, none that is empty. Widths are as the pages are, but for those too small to be seen."""
    pages: dict[PartName, int] = {
        "people": strip.people,
        "known": strip.known,
        "waits": strip.waits,
        "missing": strip.missing,
        "unbalanced": abs(strip.unbalanced),
    }
    shown = {name: count for name, count in pages.items() if count > 0}
    total = sum(shown.values())
    least = sum(LEAST for count in shown.values() if count * WIDTH < LEAST * total)
    rest = sum(count for count in shown.values() if count * WIDTH >= LEAST * total)
    parts, x = [], 0
    for name, count in shown.items():
        small = count * WIDTH < LEAST * total
        width = LEAST if small else round((WIDTH - least) * count / rest)
        width = min(width, WIDTH - x)
        parts.append(Part(name, count, x, width))
        x += width
    return parts
