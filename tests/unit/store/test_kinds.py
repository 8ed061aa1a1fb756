"""Conditions of indexes are written out, word for word as migrations made them: they must name the kinds of the table.

A type of event that stands, or that the badge checks look at, needs a migration that makes its index anew.
"""

from __future__ import annotations

import re

from pagereeve.store.records.fact_record import BADGE_KINDS, STANDING_KINDS
from pagereeve.store.sql.tables import badge_kinds, few_kinds


def named_in(condition: object) -> list[str]:
    return re.findall(r"'([^']+)'", str(condition))


def test_the_index_of_few_kinds_holds_what_stands() -> None:
    """Cost centres (``assigned``) are read through the same index, by themselves."""
    assert sorted(named_in(few_kinds())) == sorted([*STANDING_KINDS, "assigned"])


def test_the_index_of_badge_events_holds_what_the_badge_checks_look_at() -> None:
    assert sorted(named_in(badge_kinds())) == sorted(BADGE_KINDS)
