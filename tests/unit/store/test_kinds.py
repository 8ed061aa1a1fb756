"""Conditions of indexes are written out, word for word as migrations made them: they must name the kinds of the table.

A type of event that stands, or that the badge checks look at, needs a migration that makes its index anew.
"""

from __future__ import annotations

import re

import pytest

from pagereeve.store.records.fact_record import BADGE_KINDS, STANDING_KINDS
from pagereeve.store.records.kind_forms import LETTERS, short_kind, whole_kind
from pagereeve.store.sql.tables import badge_kinds, few_kinds


def named_in(condition: object) -> list[str]:
    return re.findall(r"'([^']+)'", str(condition))


def test_the_index_of_few_kinds_holds_what_stands() -> None:
    """Cost centres (``assigned``) are read through the same index, by themselves."""
    assert sorted(named_in(few_kinds())) == sorted([*STANDING_KINDS, "assigned"])


def test_the_index_of_badge_events_holds_what_the_badge_checks_look_at() -> None:
    assert sorted(named_in(badge_kinds())) == sorted(map(short_kind, BADGE_KINDS))


@pytest.mark.parametrize("kind", [*LETTERS, *STANDING_KINDS, *BADGE_KINDS, "reading", "what nobody knows", ""])
def test_a_kind_comes_back_from_its_stored_form(kind: str) -> None:
    assert whole_kind(short_kind(kind)) == kind


def test_no_two_kinds_have_one_stored_form() -> None:
    kinds = {*LETTERS, *STANDING_KINDS, *BADGE_KINDS, "reading", "read-failed"}
    assert len({short_kind(kind) for kind in kinds}) == len(kinds)


@pytest.mark.parametrize("stored", [*LETTERS, None, 7, b"s"])
def test_what_nobody_stores_so_is_no_kind(stored: object) -> None:
    """A row's kind as words where a letter belongs was edited: no index finds it."""
    assert whole_kind(stored) not in LETTERS
