"""Instants for people: in the site's time, with its name or its offset."""

from __future__ import annotations

import pytest

from pagereeve.domain.values.instants import from_text
from pagereeve.domain.values.local_time import local_time


@pytest.mark.parametrize(
    ("instant", "zone", "text"),
    [
        ("2026-11-25T09:00:05.999999Z", "Europe/Berlin", "2026-11-25 10:00:05 CET"),
        ("2026-07-25T09:00:05Z", "Europe/Berlin", "2026-07-25 11:00:05 CEST"),
        # The hour that comes twice (Directive 2000/84/EC: the last Sunday of October at 01:00 UTC).
        ("2026-10-25T00:30:00Z", "Europe/Berlin", "2026-10-25 02:30:00 CEST"),
        ("2026-10-25T01:30:00Z", "Europe/Berlin", "2026-10-25 02:30:00 CET"),
        ("2026-11-25T09:00:05Z", "UTC", "2026-11-25 09:00:05 UTC"),
        ("2026-11-25T01:00:05Z", "America/Sao_Paulo", "2026-11-24 22:00:05 UTC-03:00"),
        ("2026-11-25T01:00:05Z", "Asia/Kathmandu", "2026-11-25 06:45:05 UTC+05:45"),
        ("2026-11-25T09:00:05Z", "Nowhere/Atall", "2026-11-25 09:00:05 UTC"),
        ("2026-11-25T09:00:05Z", "../etc/passwd", "2026-11-25 09:00:05 UTC"),
    ],
)
def test_an_instant_in_the_time_of_a_zone(instant: str, zone: str, text: str) -> None:
    assert local_time(from_text(instant), zone) == text


def test_an_instant_that_the_zone_can_not_name_is_in_utc() -> None:
    assert local_time(from_text("9999-12-31T23:59:59Z"), "Pacific/Auckland") == "9999-12-31 23:59:59 UTC"
