"""An instant as people write it: with an offset, or as a clock on the site's wall shows it."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.domain.values.errors import BadFact
from pagereeve.domain.values.instants import EPOCH, from_text

_LOCAL: Final = re.compile(r"\d{4}-\d{2}-\d{2}[Tt ]\d{2}:\d{2}(:\d{2})?", re.ASCII)


def local_instant_us(text: str, zone: ZoneInfo, option: str) -> int:
    """An RFC 3339 time, or a local one of the zone, as 2026-11-30T17:00. Raises BadQuestion, which names the option.

    A time that the zone's clocks skip, or show twice, is refused: only an offset says which is meant.
    """
    if not _LOCAL.fullmatch(text):
        try:
            return from_text(text, option)
        except BadFact as error:
            problem = f"{text[:40]!r} is no time; write 2026-11-30T17:00 (of {zone.key}) or 2026-11-30T16:00:00Z"
            raise BadQuestion(option, problem) from error
    try:
        wall = datetime.fromisoformat(text)
    except ValueError as refused:
        raise BadQuestion(option, f"{text!r} names no instant ({refused})") from refused
    first, second = (wall.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    if first != second:
        skipped = first.astimezone(zone).replace(tzinfo=None) != wall
        what = f"is skipped by the clocks of {zone.key}" if skipped else f"comes twice in {zone.key}"
        raise BadQuestion(option, f"{text!r} {what}; write it with an offset, as {first.isoformat()}")
    return (first - EPOCH) // timedelta(microseconds=1)
