"""An instant for people, in the time zone of a site."""

from __future__ import annotations

from datetime import UTC, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pagereeve.domain.values.instants import EPOCH


def local_time(at_us: int, zone: str) -> str:
    """``2026-11-25 10:00:05 CET``: to the second, with what the zone calls its time then, so that the repeated hour of
    autumn can be told apart. A zone that has no such name has its offset in the name's place: ``UTC-03:00``.

    ``zone`` is a name of the time zone database; one that it does not have (any more) is UTC.
    """
    stamp = EPOCH + timedelta(microseconds=at_us)
    try:
        there = stamp.astimezone(ZoneInfo(zone))
    except (ZoneInfoNotFoundError, ValueError, OSError, OverflowError):
        there = stamp.astimezone(UTC)
    text = there.isoformat(sep=" ", timespec="seconds")
    name = there.tzname() or ""
    return f"{text[:19]} {name if name.isalpha() else f'UTC{text[19:]}'}"
