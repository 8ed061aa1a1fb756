"""Releases whose notices name the printer's job by an id of its own: no order and no count has to fit."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.facts.facts import ReleaseStarted
from pagereeve.domain.facts.jobs import NamedBy
from tests.unit.domain.story import Story, charge

# In the other order than they were released, and of counts that both would fit.
MADE = {"A": (42, 9), "B": (41, 5)}


def two(*, named: bool) -> Story:
    story = Story()
    story.rest(-1, -0.5, 100)
    for nth, name in enumerate(MADE):
        story.release(nth, name, pages=10)
        story.ended(nth + 0.5, name)
    keys = {one.release.release: NamedBy(one.release.source, one.release.release) for one in story.ledger().charges}
    for nth, (name, (number, counted)) in enumerate(MADE.items()):
        named_by = keys[name] if named else None
        begun = (1.2, 2 + nth)
        story.job(2 + nth, number, "processing", 1, began=begun, named_by=named_by)
        story.job(8 + nth, number, "completed", counted, began=begun, ended=(6, 8 + nth), named_by=named_by)
    story.rest(12, 40, 114)
    return story


@pytest.mark.parametrize("named", [True, False])
def test_what_is_named_is_linked_and_what_is_not_is_left_open(*, named: bool) -> None:
    ledger = two(named=named).ledger()
    rows = {name: charge(ledger, name) for name in MADE}
    linked = {name: "job-by-id" in one.reasons for name, one in rows.items()}
    assert linked == dict.fromkeys(MADE, named)
    assert ({name: one.charged for name, one in rows.items()} == {"A": 9, "B": 5}) is named


def test_an_id_goes_before_a_number_that_another_release_claims() -> None:
    story = two(named=True)
    story.facts = [
        replace(one, printer_job=41) if isinstance(one, ReleaseStarted) and one.release == "A" else one
        for one in story.facts
    ]
    ledger = story.ledger()
    assert {name: charge(ledger, name).charged for name in MADE} == {"A": 9, "B": 5}
