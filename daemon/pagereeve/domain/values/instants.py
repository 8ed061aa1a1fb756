"""Instants are whole microseconds since 1970-01-01T00:00Z; text is RFC 3339 in UTC."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from functools import lru_cache

from pagereeve.domain.values.errors import BadFact

SECOND_US = 1_000_000
_HOUR_S = 3_600
FOREVER_US = 2**62
"""Later than any instant that a text can name."""
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_NAIVE_EPOCH = EPOCH.replace(tzinfo=None)
# For schemas: RFC 3339 sections 5.6 and 5.7; in which years February has 29 days no pattern says.
_LONG_MONTHS = "(0[13578]|1[02])-(0[1-9]|[12][0-9]|3[01])"
_SHORT_MONTHS = "(0[469]|11)-(0[1-9]|[12][0-9]|30)"
DATE_PATTERN = f"[0-9]{{4}}-({_LONG_MONTHS}|{_SHORT_MONTHS}|02-(0[1-9]|[12][0-9]))"
_HOURS = "([01][0-9]|2[0-3])"
TIME_PATTERN = rf"{_HOURS}:[0-5][0-9]:[0-5][0-9](\.[0-9]{{1,9}})?([Zz]|[+-]{_HOURS}:[0-5][0-9])"
_RFC3339 = re.compile(r"(\d{4}-\d{2}-\d{2})[Tt](\d{2}:\d{2}:\d{2})(?:\.(\d{1,9}))?([Zz]|[+-]\d{2}:\d{2})", re.ASCII)


def to_text(at_us: int) -> str:
    """RFC 3339, UTC, always six fractional digits, so that text sorts as time does.

    Millions are written one after the other: what an instant shares with others of its hour is kept.
    """
    second, rest_us = divmod(at_us, SECOND_US)
    hour, second = divmod(second, _HOUR_S)
    return f"{_hour(hour)}{_minute(second)}{rest_us:06d}Z"


@lru_cache(maxsize=1024)
def _hour(hour: int) -> str:
    return f"{(_NAIVE_EPOCH + timedelta(hours=hour)).isoformat(timespec='hours')}:"


@lru_cache(maxsize=_HOUR_S)
def _minute(second: int) -> str:
    return f"{second // 60:02d}:{second % 60:02d}."


def from_own_text(text: str) -> int:
    """The inverse of ``to_text``. Raises ValueError, TypeError or IndexError for all other texts."""
    fraction = text[20:26]
    if text[26:] != "Z" or not (fraction.isascii() and fraction.isdigit()):
        raise ValueError("not written here")
    return _hour_us(text[:14]) + _minute_us(text[14:20]) + int(fraction)


@lru_cache(maxsize=1024)
def _hour_us(text: str) -> int:
    # With these where they are, all that datetime still takes is digits; of later Pythons 24:00, too.
    if text[4] + text[7] + text[10] + text[13:] != "--T:" or text[11:13] > "23":
        raise ValueError("not written here")
    since = datetime.fromisoformat(f"{text}00") - _NAIVE_EPOCH
    return (since.days * 86_400 + since.seconds) * SECOND_US


@lru_cache(maxsize=_HOUR_S)
def _minute_us(text: str) -> int:
    if text[2] + text[5:] != ":.":
        raise ValueError("not written here")
    since = datetime.fromisoformat(f"1970-01-01T00:{text[:5]}") - _NAIVE_EPOCH
    return since.seconds * SECOND_US


def from_text(text: str, where: str = "time") -> int:
    """Microseconds of an RFC 3339 time; digits beyond the sixth are cut. Raises BadFact."""
    match = _RFC3339.fullmatch(text)
    if match is None:
        raise BadFact(where, f"{text[:40]!r} is no RFC 3339 time; write 2026-01-31T09:00:00Z")
    date, clock, fraction, zone = match.groups()
    micros = (fraction or "0")[:6].ljust(6, "0")
    offset = "+00:00" if zone in "Zz" else zone
    try:
        stamp = datetime.fromisoformat(f"{date}T{clock}.{micros}{offset}")
        # In UTC it must still be a year of four digits, or it could never be written again.
        return (stamp.astimezone(UTC) - EPOCH) // timedelta(microseconds=1)
    except (ValueError, OverflowError) as error:
        raise BadFact(where, f"{text[:40]!r} names no instant ({error})") from error
