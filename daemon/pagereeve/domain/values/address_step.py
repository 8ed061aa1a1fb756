"""A name as one step of an address's path, whatever it holds, and back.

A slash is written %2F, so dots between a name's own slashes are no steps up (RFC 3986 section 5.2.4). Nothing can be
written for a dot: browsers take ``%2e`` for one, and a step of one or two of them is gone before it is sent (WHATWG
URL, "single-dot URL path segment"). So such a name has a slash more at its end, and so has one that ends like that by
itself: no two names have one address.
"""

from __future__ import annotations

import re
from typing import Final
from urllib.parse import quote

_DOTS: Final = re.compile(r"\.{1,2}/*")
_LONGER: Final = re.compile(r"\.{1,2}/+")


def one_step(name: str) -> str:
    """As it stands in an address."""
    marked = f"{name}/" if _DOTS.fullmatch(name) else name
    return quote(marked, safe="", errors="surrogatepass")


def name_of_step(step: str) -> str:
    """``step`` is decoded already."""
    return step[:-1] if _LONGER.fullmatch(step) else step
