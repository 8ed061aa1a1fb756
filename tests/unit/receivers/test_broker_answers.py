"""A centre's answer as it lies in a broker: it is believed nothing that is none."""

from __future__ import annotations

import json
from typing import Any

import pytest

from pagereeve.app.sites.answers import members_of, refused_members
from pagereeve.domain.forwarding.batch import SealedPlace
from pagereeve.domain.forwarding.message import MessageId
from pagereeve.domain.forwarding.refusal import BatchRefused
from pagereeve.ports.broker import HeardAnswer
from pagereeve.ports.forwarding import CentreAnswer, NotForwarded
from pagereeve.receivers.broker.answers import answer_text, read_answer
from tests.forwarding import ORIGIN

ID = MessageId("annex", ORIGIN, 0, 3, 1)


def test_an_answer_is_read_as_it_was_written() -> None:
    for answer in (CentreAnswer(0), CentreAnswer(3, SealedPlace("rs", 2, bytes(32)), {"rs": 2})):
        assert read_answer(answer_text(str(ID), members_of(answer)), "centre") == HeardAnswer(ID, answer)


def test_a_refusal_keeps_its_cause_and_what_is_held() -> None:
    refused = BatchRefused("gap", "the first that came is number 9", place=4, has=3)
    heard = read_answer(answer_text(str(ID), refused_members(refused)), "centre")
    assert heard is not None
    assert heard.refused is not None
    assert (heard.answer, heard.refused.trouble, heard.refused.has) == (None, "gap", 3)
    assert "number 9" in heard.refused.problem


def test_an_answer_to_no_message_of_ours_is_none() -> None:
    assert read_answer(answer_text("", members_of(CentreAnswer(0))), "centre") is None


@pytest.mark.parametrize(
    "members",
    [
        None,
        [],
        {},
        {"id": 1},
        {"id": str(ID)},
        {"id": str(ID), "has": True, "last": None, "seqs": {}},
        {"id": str(ID), "has": 1, "last": None, "seqs": {}},
        {"id": str(ID), "cause": "of-no-meaning"},
    ],
)
def test_what_is_no_answer_is_believed_nothing(members: Any) -> None:
    with pytest.raises(NotForwarded) as caught:
        read_answer(json.dumps(members).encode(), "centre")
    assert caught.value.trouble == "malformed"
