"""File descriptors: as many as may be had, and shared out so that connections leave enough for the rest."""

from __future__ import annotations

import contextlib
import resource
from dataclasses import dataclass
from typing import Final

# More serves nobody here, and some libraries walk through all that might be open.
WANTED: Final = 65_536
# The journal, its write-ahead and shared-memory files, the event loop, logs, the meters' sockets, messages about
# alerts, files read at times, and what an accept takes until it is refused.
RESERVE: Final = 192
# However few there are, an endpoint lets some in: most descriptors of the reserve are not in use at most times.
LEAST: Final = 8


@dataclass(frozen=True, slots=True)
class Shares:
    """Connections that the endpoints may hold: of each line feed, and over HTTP."""

    line_feed: int
    http: int


def limit() -> int:
    """How many this process may have open."""
    soft, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    return WANTED if soft == resource.RLIM_INFINITY else soft


def raise_limit() -> int:
    """Raise the soft limit towards the hard one (getrlimit(2)); what it is then."""
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = WANTED if hard == resource.RLIM_INFINITY else min(hard, WANTED)
    if limit() < most:
        # A filter of system calls may forbid it (systemd's @resources); the endpoints then share what there is.
        with contextlib.suppress(OSError, ValueError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))
    return limit()


def shares(descriptors: int, *, line_feeds: int, line_wanted: int, http_wanted: int) -> Shares:
    """Badge lines come first: HTTP gets what they leave, and they half of all at most."""
    free = max(descriptors - RESERVE, 0)
    each = free // 2 // line_feeds if line_feeds else 0
    line = min(line_wanted, max(each, LEAST))
    http = min(http_wanted, max(free - line * line_feeds, LEAST))
    return Shares(line, http)
