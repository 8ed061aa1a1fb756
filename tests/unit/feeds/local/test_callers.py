"""Who asks at the local socket, and what it may: by user and group, without waiting for a directory service."""

from __future__ import annotations

import os
import pwd
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from pagereeve.domain.credentials.callers import ACTS, Caller
from pagereeve.feeds.local import callers as module
from pagereeve.feeds.local.callers import OWN_ACTS, LocalCallers
from pagereeve.feeds.local.peer import LocalUser, local_user, this_user, unknown_accounts
from pagereeve.feeds.local.settings import LocalSettings

OWN = 901
USERS = {
    0: LocalUser(0, "root", frozenset({"root"})),
    OWN: LocalUser(OWN, "pagereeve"),
    1001: LocalUser(1001, "user-anise", frozenset({"print-admins", "staff"})),
    1002: LocalUser(1002, "user-basil", frozenset({"staff"})),
}
SETTINGS = LocalSettings.model_validate(
    {"users": {"user-anise": ["decide"], "user-cumin": ["read"]}, "groups": {"print-admins": ["note", "read"]}}
)


@contextmanager
def callers(look: Callable[[int], LocalUser] = USERS.__getitem__) -> Iterator[LocalCallers]:
    made = LocalCallers(SETTINGS, OWN, look)
    try:
        yield made
    finally:
        made.close()


@pytest.mark.parametrize(
    ("uid", "name", "acts"),
    [
        (0, "root", OWN_ACTS),
        (OWN, "pagereeve", OWN_ACTS),
        (1001, "user-anise", {"decide", "note", "read"}),
        (1002, "user-basil", set()),
    ],
)
async def test_acts_are_the_users_and_its_groups(uid: int, name: str, acts: set[str]) -> None:
    with callers() as known:
        caller = await known.caller_of(uid)
    assert caller == Caller(name, frozenset(acts))  # type: ignore[arg-type]


def test_nobody_sends_events_by_being_root() -> None:
    # Who installs does so on pages, signed in.
    assert set(ACTS) - OWN_ACTS == {"send", "install", "forward"}


async def test_settings_that_are_read_again_are_in_force_at_once() -> None:
    with callers() as known:
        assert (await known.caller_of(1001)).may("decide")
        known.change(LocalSettings())
        assert (await known.caller_of(1001)).acts == frozenset()
        assert (await known.caller_of(0)).acts == OWN_ACTS


async def test_a_directory_service_that_is_away_takes_rights_and_names_and_holds_up_nobody(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(module, "LOOKUP_S", 0.05)
    back = threading.Event()

    def slow(uid: int) -> LocalUser:
        back.wait(20)
        return USERS[uid]

    with callers(slow) as known:
        for _ in range(3):
            caller = await known.caller_of(1001)
            assert (caller.name, caller.acts) == ("uid:1001", frozenset())
        assert (await known.caller_of(0)).acts == OWN_ACTS
        back.set()


async def test_users_are_asked_for_once_in_a_while_and_so_many_are_remembered(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "KEPT_MAX", 2)
    asked: list[int] = []

    def look(uid: int) -> LocalUser:
        asked.append(uid)
        return LocalUser(uid, f"user-{uid}")

    with callers(look) as known:
        for uid in (1, 1, 1, 2, 2, 3, 3, 1):
            assert (await known.caller_of(uid)).name == f"user-{uid}"
        assert asked == [1, 2, 3, 1]
        monkeypatch.setattr(module, "KEPT_S", 0.0)
        await known.caller_of(1)
        assert asked == [1, 2, 3, 1, 1]


def test_names_come_from_the_systems_databases(monkeypatch: pytest.MonkeyPatch) -> None:
    entry = pwd.getpwuid(0)
    assert local_user(0).name == entry.pw_name
    assert this_user().uid == os.geteuid()
    monkeypatch.setenv("LOGNAME", "somebody-else")
    assert this_user() == local_user(os.geteuid())
    gone = 2**31 - 7
    assert local_user(gone) == LocalUser(gone, f"uid:{gone}")
    assert list(unknown_accounts([entry.pw_name, "no-such-user-here"], ["no-such-group-here"])) == [
        "local.users: 'no-such-user-here' is no user of this machine",
        "local.groups: 'no-such-group-here' is no group of this machine",
    ]


@pytest.mark.parametrize(
    ("limits", "pages_max"),
    [
        ({}, None),
        ({"user-anise": 5, "staff": 90}, 5),
        ({"staff": 9, "print-admins": 50, "others": 70}, 50),
        ({"others": 70}, None),
    ],
)
async def test_a_users_own_limit_comes_before_those_of_its_groups(
    limits: dict[str, int], pages_max: int | None
) -> None:
    with callers() as known:
        users = {"user-anise": ["decide"]}
        known.change(LocalSettings.model_validate({"users": users, "pages_max": limits}))
        assert (await known.caller_of(1001)).pages_max == pages_max
        known.change(LocalSettings.model_validate({"users": users, "pages_day_max": limits}))
        caller = await known.caller_of(1001)
        assert (caller.pages_max, caller.pages_day_max) == (None, pages_max)
