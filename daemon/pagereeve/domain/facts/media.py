"""The size of a medium, from its self-describing name (PWG 5101.1 section 5), as ``iso_a3_297x420mm``."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final

_DIMENSIONS: Final = re.compile(r"(?:^|[_-])(\d{1,5}(?:\.\d{1,4})?)x(\d{1,5}(?:\.\d{1,4})?)(mm|in)(?:$|[_-])", re.ASCII)
MM_PER_INCH: Final = 25.4
# Longer than the longest sheet of office size (legal, 14 in): ledger, A3, B4 and beyond. Common practice, no source.
LARGE_FROM_MM: Final = 357.0
KNOWN_MAX: Final = 1_000


@lru_cache(maxsize=KNOWN_MAX)
def is_large(media: str) -> bool | None:
    """Whether meters that weigh sizes count it as large; None where the name states no size."""
    match = _DIMENSIONS.search(media)
    if match is None:
        return None
    per_unit = 1.0 if match[3] == "mm" else MM_PER_INCH
    return max(float(match[1]), float(match[2])) * per_unit >= LARGE_FROM_MM
