"""Sessions end in time, are bounded in number, and are known by nothing that our memory holds."""

from __future__ import annotations

import dataclasses

import pytest

from pagereeve.console.sign_in import sessions as module
from pagereeve.console.sign_in.sessions import LONGEST_US, UNUSED_US, Sessions

NOW_US = 1_800_000_000_000_000


def test_a_session_is_known_by_its_token_alone() -> None:
    sessions = Sessions()
    token = sessions.begin("mara", "$kept", NOW_US)
    other = sessions.begin("juno", "$kept", NOW_US)
    assert len(token) == 43
    found = sessions.of_token(token, NOW_US + 1)
    assert found is not None
    assert (found.name, found.used_us) == ("mara", NOW_US + 1)
    for wrong in ("", token[:-1], f"{token}x", token.swapcase(), "x" * 43, "é" * 43, found.form_token):
        assert sessions.of_token(wrong, NOW_US) is None
    assert token not in repr(sessions._sessions)
    assert found.form_token not in repr(found)
    assert found.form_token not in {token, other}
    sessions.end(found)
    assert sessions.of_token(token, NOW_US) is None
    assert sessions.of_token(other, NOW_US) is not None


def test_it_ends_after_an_hour_without_use_and_after_twelve_with_it() -> None:
    sessions = Sessions()
    idle, busy = sessions.begin("mara", "$kept", NOW_US), sessions.begin("mara", "$kept", NOW_US)
    at_us = NOW_US
    while at_us + UNUSED_US - 1 < NOW_US + LONGEST_US:
        at_us += UNUSED_US - 1
        assert sessions.of_token(busy, at_us) is not None
    assert sessions.of_token(idle, NOW_US + UNUSED_US) is None
    assert sessions.of_token(busy, NOW_US + LONGEST_US - 1) is not None
    assert sessions.of_token(busy, NOW_US + LONGEST_US) is None
    assert sessions.of_token(busy, NOW_US) is None  # once over, over


def test_a_page_that_is_left_open_keeps_nobody_signed_in() -> None:
    sessions = Sessions()
    token = sessions.begin("mara", "$kept", NOW_US)
    found = sessions.of_token(token, NOW_US, by_itself=True)
    assert found is not None
    for nth in range(1, 60):
        assert sessions.of_token(token, NOW_US + nth * UNUSED_US // 60, by_itself=True) is found
    assert sessions.holds(found, NOW_US + UNUSED_US - 1)
    assert not sessions.holds(found, NOW_US + UNUSED_US)
    assert sessions.of_token(token, NOW_US + UNUSED_US, by_itself=True) is None
    assert not sessions.holds(found, NOW_US)


def test_the_oldest_unused_one_gives_way(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "SESSIONS_MAX", 3)
    monkeypatch.setattr(module, "EACH_MAX", 2)
    sessions = Sessions()
    first, second, third = (sessions.begin(name, "$kept", NOW_US) for name in ("a", "b", "c"))
    assert sessions.of_token(first, NOW_US + 1) is not None
    fourth = sessions.begin("d", "$kept", NOW_US + 2)
    alive = [sessions.of_token(one, NOW_US + 3) is not None for one in (first, second, third, fourth)]
    assert (alive, len(sessions)) == ([True, False, True, True], 3)
    # One person alone signs nobody else out.
    mine = [sessions.begin("d", "$kept", NOW_US + 4 + nth) for nth in range(5)]
    assert len(sessions) == 3
    assert sum(sessions.of_token(one, NOW_US + 20) is not None for one in mine) == 2


def test_a_name_that_a_proxy_says_has_one_session() -> None:
    sessions = Sessions()
    one = sessions.of_proxy("mara", "$proxied", NOW_US)
    assert sessions.of_proxy("mara", "$proxied", NOW_US + 5) is one
    assert sessions.of_proxy("juno", "$proxied", NOW_US) is not one
    assert sessions.of_proxy("mara", "$proxied", NOW_US + LONGEST_US) is not one
    assert len(sessions) == 1  # what is over is forgotten
    assert sessions.of_token("proxy mara", NOW_US) is None


def test_a_form_token_is_its_own_sessions() -> None:
    sessions = Sessions()
    one, other = (sessions.of_token(sessions.begin("mara", "$kept", NOW_US), NOW_US) for _ in range(2))
    assert one is not None
    assert other is not None
    assert one.is_proven_by(one.form_token)
    for wrong in ("", other.form_token, one.form_token[:-1], "é", "\udc80"):
        assert not one.is_proven_by(wrong)
    assert not dataclasses.replace(one, names_until_us=NOW_US).shows_names(NOW_US)
    assert dataclasses.replace(one, names_until_us=NOW_US + 1).shows_names(NOW_US)
