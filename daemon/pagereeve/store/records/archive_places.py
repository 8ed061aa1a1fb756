"""Where the facts of an archive's part are sealed: once their rows are gone nothing else says it.

The places of all numbers from the part's first to its last, also of those that stayed, as a text: the first place, then
by how much each is above the one before. What is not known repeats the one before it, which is sealed as another fact.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import accumulate
from typing import Final

from pagereeve.ports.archives import ArchivePart

SPAN_MAX: Final = 65_536
"""Of a part, from its first number to its last: its places stay within some hundred kilobytes."""
_NONE: Final = 0


def written_places(part: ArchivePart, known: Mapping[int, int]) -> str:
    """``known``: places by number."""
    last, steps = _NONE, []
    for seq in range(part.first_seq, part.last_seq + 1):
        place = known.get(seq, last)
        steps.append(place - last)
        last = place
    return " ".join(map(str, steps))


def read_places(text: str, first_seq: int) -> dict[int, int]:
    """By number; empty where the text is none."""
    try:
        places = accumulate(map(int, text.split()))
        return {seq: place for seq, place in enumerate(places, first_seq) if place != _NONE}
    except ValueError:
        return {}
