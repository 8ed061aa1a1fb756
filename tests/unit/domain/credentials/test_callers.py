"""What a caller may is what it was given, and nothing that follows from it."""

from __future__ import annotations

import pytest

from pagereeve.domain.credentials.callers import ACTS, Act, Caller

STARTED = "pagereeve.release.started.v1"


@pytest.mark.parametrize("given", ACTS)
@pytest.mark.parametrize("asked", ACTS)
def test_no_act_holds_another(given: Act, asked: Act) -> None:
    assert Caller("desk", frozenset({given})).may(asked) == (given == asked)


def test_a_caller_speaks_for_its_sources_and_sends_its_types() -> None:
    caller = Caller("desk", frozenset({"send"}), frozenset({"/release"}), frozenset({STARTED}))
    assert caller.may_send("send", "/release", STARTED)
    assert not caller.may_send("send", "/other", STARTED)
    assert not caller.may_send("send", "/release", "pagereeve.badge.presented.v1")
    assert not caller.may_send("decide", "/release", STARTED)
    assert Caller("desk", frozenset({"send"})).may_send("send", "/any", STARTED)
