"""From where an answer with a right id may come: a count of another printer is never taken for this one's."""

from __future__ import annotations

import socket
from types import SimpleNamespace
from typing import Any

import pytest

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.meters.snmp.address import AgentAddress, Key
from pagereeve.meters.snmp.question import STRICT, Leave, Question, RequestPatience, Sent

ASKED: Key = ("192.0.2.1", 161)
ASKED_6: Key = ("fe80::1", 161, 7)


def question(asked: Key = ASKED, leave: Leave = STRICT) -> Question:
    """One without a socket: only its rules are looked at."""
    lane: Any = SimpleNamespace()
    address = AgentAddress(socket.AF_INET if len(asked) == 2 else socket.AF_INET6, asked, asked)
    return Question(address, lane, lane, 0, RequestPatience(), 0, lane, leave)


@pytest.mark.parametrize(
    ("leave", "source", "taken"),
    [
        (STRICT, ("192.0.2.1", 161), True),
        (STRICT, ("192.0.2.1", 162), False),
        (STRICT, ("192.0.2.2", 161), False),
        (Leave(any_port=True), ("192.0.2.1", 50_000), True),
        (Leave(any_port=True), ("192.0.2.2", 161), False),
        (Leave("192.0.2.9"), ("192.0.2.9", 161), True),
        (Leave("192.0.2.9"), ("192.0.2.9", 162), False),
        (Leave("192.0.2.9"), ("192.0.2.1", 161), True),
        (Leave("192.0.2.9"), ("192.0.2.8", 161), False),
        (Leave("192.0.2.9", any_port=True), ("192.0.2.9", 162), True),
        # No host is allowed beyond the asked one: an empty name is none.
        (STRICT, ("", 161), False),
    ],
)
def test_an_answer_comes_from_where_it_was_asked_for_or_is_allowed_to(leave: Leave, source: Key, taken: bool) -> None:
    assert question(leave=leave).takes_from(source) is taken


@pytest.mark.parametrize(
    ("source", "taken"),
    [(("fe80::1", 161, 7), True), (("fe80::1", 161, 8), False), (("fe80::1", 162, 7), False)],
)
def test_the_same_figures_on_another_link_are_another_device(source: Key, taken: bool) -> None:
    assert question(ASKED_6).takes_from(source) is taken


@pytest.mark.parametrize(
    ("seen", "reason", "words", "responder"),
    [
        ({}, SilenceReason.TIMEOUT, "no answer from the printer", ""),
        ({"unreachable": "no route"}, SilenceReason.UNREACHABLE, "can't be reached: no route", ""),
        ({"stray": "192.0.2.9:161"}, SilenceReason.TIMEOUT, "came from 192.0.2.9:161 and was refused", "192.0.2.9:161"),
        ({"unreadable": "cut short"}, SilenceReason.MALFORMED, "answered unreadably: cut short", "the printer"),
        # What says most of the printer itself comes first.
        ({"stray": "x", "unreachable": "y"}, SilenceReason.TIMEOUT, "came from x", "x"),
        ({"unreadable": "z", "stray": "x"}, SilenceReason.MALFORMED, "unreadably: z", "the printer"),
    ],
)
def test_a_question_without_an_answer_says_why(
    seen: dict[str, str], reason: SilenceReason, words: str, responder: str
) -> None:
    one = question()
    one.sent = {nth: Sent(nth, nth) for nth in range(2)}
    for name, value in seen.items():
        setattr(one, name, value)
    verdict = one.verdict("the printer")
    assert verdict.reason is reason
    assert words in verdict.detail
    assert verdict.responder == responder
