"""``Prefer: wait=N``: how long a sender would wait for the meter reading (RFC 7240 sections 2 and 4.3)."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

HEADER_MAX: Final = 256  # longer ones are ignored, as RFC 7240 allows; it bounds the work below
_ELEMENT: Final = re.compile(r'(?:[^,"]|"(?:[^"\\]|\\.)*")+')


def wait_s(headers: Iterable[str], cap_s: int) -> int | None:
    """Whole seconds, ``cap_s`` at most; None where no usable preference is stated. The first of several counts."""
    for header in headers:
        for element in _ELEMENT.findall(header) if len(header) <= HEADER_MAX else ():
            name, _, value = element.partition(";")[0].partition("=")
            if name.strip().lower() == "wait":
                return _seconds(value.strip().strip('"'), cap_s)
    return None


def _seconds(text: str, cap_s: int) -> int | None:
    if not (text.isascii() and text.isdigit()):
        return None
    return cap_s if len(text) > 9 else min(int(text), cap_s)
