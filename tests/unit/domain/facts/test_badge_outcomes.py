"""What is kept of an event's data."""

from __future__ import annotations

from typing import get_args

import pytest

from pagereeve.domain.facts.codec import from_json, to_json
from pagereeve.domain.facts.events import BADGE_PRESENTED, event_of
from pagereeve.domain.facts.facts import BadgeOutcome, BadgePresented, Origin

ORIGIN = Origin("urn:s", "e-1", 1, 1)


def presented(**more: object) -> BadgePresented:
    event = event_of(BADGE_PRESENTED, ORIGIN, {"badge": "b", "gateway": "east", **more})
    assert isinstance(event, BadgePresented)
    return event


@pytest.mark.parametrize("word", get_args(BadgeOutcome))
def test_a_known_word_of_a_release_server_is_kept(word: BadgeOutcome) -> None:
    assert presented(outcome=word).outcome == word


@pytest.mark.parametrize("text", ["Accepted", "accepted ", "card of Anise let in", "\u2713"])
def test_of_any_other_text_nothing_is_kept_but_that_there_was_one(text: str) -> None:
    assert presented(outcome=text) == presented(outcome="other")


def test_no_outcome_is_none() -> None:
    assert {presented().outcome, presented(outcome="").outcome, presented(outcome=None).outcome} == {""}


def test_a_fact_that_was_written_with_another_text_is_read() -> None:
    written = to_json(presented(outcome="other"))
    written["data"] = {**written["data"], "outcome": "card of Anise let in"}
    assert from_json(written) == presented(outcome="other")
