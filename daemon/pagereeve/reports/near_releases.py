"""What is offered where nobody knows a release."""

from __future__ import annotations

from typing import Final
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.values.visible import visible
from pagereeve.queries.near_releases import NoSuchRelease, Why

WHYS: Final[dict[Why, str]] = {
    "name": "its name is like it",
    "before": "ran at that printer before the first of these",
    "after": "ran at that printer after the first of these",
}


def no_release_text(error: NoSuchRelease, zone: ZoneInfo) -> str:
    """The error, and a line for each release that may have been meant; no person is named."""
    if not error.near:
        return f"{error}; none of the latest releases is named like it"
    lines = [
        f"  {visible(one.release.release)} of {visible(one.release.source)}, at {visible(one.printer)}, "
        f"{local_text(one.started_us, zone)}: {WHYS[one.why]}"
        for one in error.near
    ]
    return "\n".join([f"{error}. Near it:", *lines])
