"""``Prefer: wait=N`` and ``wait=N, rest``: for what a sender would wait, and how long (RFC 7240 sections 2 and 4.3).

``rest`` is a preference of our own, which section 2 allows: without ``wait`` it means nothing.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

HEADER_MAX: Final = 256  # longer ones are ignored, as RFC 7240 allows; it bounds the work below
_ELEMENT: Final = re.compile(r'(?:[^,"]|"(?:[^"\\]|\\.)*")+')


@dataclass(frozen=True, slots=True)
class Waiting:
    """``seconds`` at most, for the meter's reading; with ``rest`` until the releases answered before have come to rest.

    ``seconds`` is None where the sender would not wait.
    """

    seconds: int | None = None
    rest: bool = False

    def applied(self) -> str | None:
        """As Preference-Applied says it (RFC 7240 section 3)."""
        if self.seconds is None:
            return None
        return f"wait={self.seconds}{', rest' if self.rest else ''}"


def waiting(headers: Iterable[str], cap_s: int) -> Waiting:
    """At most ``cap_s``; the first of several counts. What is not understood is not stated (RFC 7240 section 2)."""
    seconds: int | None = None
    rest = stated = False
    for header in headers:
        for element in _ELEMENT.findall(header) if len(header) <= HEADER_MAX else ():
            name, _, value = element.partition(";")[0].partition("=")
            match name.strip().lower():
                case "wait" if not stated:
                    seconds, stated = _seconds(value.strip().strip('"'), cap_s), True
                case "rest" if not value.strip().strip('"'):
                    # An empty value is as good as none (RFC 7240 section 2).
                    rest = True
                case _:
                    pass
    return Waiting(seconds, rest and seconds is not None and seconds > 0)


def _seconds(text: str, cap_s: int) -> int | None:
    if not (text.isascii() and text.isdigit()):
        return None
    return cap_s if len(text) > 9 else min(int(text), cap_s)
