"""The name of a medium in plain words. Self-describing names: PWG 5101.1-2013 section 5, ``iso_a4_210x297mm``."""

from __future__ import annotations

import re
from typing import Final

_SELF_DESCRIBING: Final = re.compile(
    r"(?P<by>[a-z]+)_(?P<size>[a-z0-9.-]+)_(?P<width>\d+(?:\.\d+)?)x(?P<height>\d+(?:\.\d+)?)(?P<unit>mm|in)", re.ASCII
)
# As everybody writes them; of the same letters, JIS B5 is another size than ISO B5.
_OF_A_SERIES: Final = re.compile(r"[a-c]\d\d?", re.ASCII)


def media_text(name: str) -> str:
    """``A4``, or ``letter (8.5 by 11 in)``; a name that describes no size is shown as it is."""
    known = _SELF_DESCRIBING.fullmatch(name)
    if known is None:
        return name
    is_of_series = _OF_A_SERIES.fullmatch(known["size"]) is not None
    size = known["size"].upper() if is_of_series else known["size"].replace("-", " ")
    if is_of_series and known["by"] == "iso":
        return size
    return f"{size} ({known['width']} by {known['height']} {known['unit']})"
