"""Which credentials are in force while people make and revoke them, the journal fails, and settings are read again."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import pytest
from structlog.testing import capture_logs

from pagereeve.app.credential_keeper import USE_GRAIN_US, CredentialKeeper
from pagereeve.domain.credentials.book import Credential, NotKnown
from pagereeve.engine.supervision.supervisor import Supervisor
from pagereeve.feeds.http.callers import HttpCallers
from pagereeve.ports.credentials import StoredCredential
from pagereeve.ports.journal import JournalUnavailable
from tests.credentials import NOW_US, credential, token_of
from tests.unit.engine.virtual import VirtualClock, passing


@dataclass
class FakeStore:
    stored: list[StoredCredential] = field(default_factory=list)
    trouble: JournalUnavailable | None = None
    uses: list[Mapping[str, int]] = field(default_factory=list)

    async def credentials(self) -> Sequence[StoredCredential]:
        if self.trouble is not None:
            raise self.trouble
        return list(self.stored)

    async def credentials_used(self, used_us: Mapping[str, int]) -> None:
        self.uses.append(dict(used_us))
        self.stored = [replace(one, used_us=used_us.get(one.name, one.used_us)) for one in self.stored]


def stored(*credentials: Credential) -> list[StoredCredential]:
    return [StoredCredential(one, added_us=1) for one in credentials]


@dataclass
class Kept:
    store: FakeStore
    callers: HttpCallers
    keeper: CredentialKeeper

    def failure(self, name: str) -> str:
        """Why the token of that name is not known; "" where it is."""
        try:
            self.callers.book.of_token(token_of(name).encode(), NOW_US)
        except NotKnown as error:
            return error.failure
        return ""


def kept(story: Callable[[Kept], Awaitable[None]], store: FakeStore, *given: Credential) -> None:
    async def told() -> None:
        clock = VirtualClock()
        callers = HttpCallers(lambda: NOW_US)
        one = Kept(store, callers, CredentialKeeper(store, callers, clock))
        supervisor = Supervisor(clock, lambda *_: None)
        await one.keeper.start(supervisor, given)
        await story(one)
        assert supervisor.trouble() == ""
        await supervisor.stop()

    passing(told())


def test_what_is_made_and_revoked_beside_the_daemon_is_in_force_two_seconds_later() -> None:
    async def story(one: Kept) -> None:
        assert not one.callers.book
        one.store.stored = stored(credential("a", "send"))
        await asyncio.sleep(2)
        assert one.failure("a") == ""
        one.store.stored = stored(credential("a", "send", revoked_us=5))
        await asyncio.sleep(2)
        assert one.failure("a") == "revoked"
        assert bool(one.callers.book)

    with capture_logs() as lines:
        kept(story, FakeStore())
    assert [line["state"] for line in lines] == ["valid", "revoked"]
    assert token_of("a") not in str(lines)


def test_a_start_that_can_not_look_them_up_fails() -> None:
    async def story(one: Kept) -> None:
        raise AssertionError(f"{one} was started")

    with pytest.raises(JournalUnavailable):
        kept(story, FakeStore(trouble=JournalUnavailable("closed")))


def test_while_the_journal_fails_those_known_stay_in_force_and_it_is_said_once() -> None:
    async def story(one: Kept) -> None:
        one.store.trouble = JournalUnavailable("the disk fails")
        one.store.stored = stored(credential("a", "send", revoked_us=5))
        await asyncio.sleep(60)
        assert one.failure("a") == ""
        one.store.trouble = None
        await asyncio.sleep(2)
        assert one.failure("a") == "revoked"

    with capture_logs() as lines:
        kept(story, FakeStore(stored(credential("a", "send"))))
    assert [line["log_level"] for line in lines] == ["warning", "info", "info"]


def test_those_of_the_settings_and_of_the_journal_change_apart() -> None:
    async def story(one: Kept) -> None:
        assert (one.failure("given"), one.failure("a"), one.failure("other")) == ("", "", "unknown")
        one.keeper.change([credential("other", "read")])
        assert (one.failure("given"), one.failure("a"), one.failure("other")) == ("unknown", "", "")
        one.store.stored = []
        await asyncio.sleep(2)
        assert (one.failure("a"), one.failure("other")) == ("unknown", "")

    kept(story, FakeStore(stored(credential("a", "send"))), credential("given", "send"))


def test_one_name_for_two_holders_is_said_at_the_start() -> None:
    async def story(one: Kept) -> None:
        assert one.failure("a") == ""

    with capture_logs() as lines:
        kept(story, FakeStore(stored(credential("a", "send"))), credential("a", "read"))
    assert [line["credential"] for line in lines] == ["a"]


def test_the_last_use_is_kept_to_the_hour_and_of_the_journals_own_alone() -> None:
    async def story(one: Kept) -> None:
        for second in range(10):
            one.callers.used |= {"a": NOW_US + second, "given": NOW_US}
            await asyncio.sleep(1)
        one.callers.used |= {"a": NOW_US + USE_GRAIN_US}
        await asyncio.sleep(2)
        one.callers.used |= {"a": NOW_US}
        await asyncio.sleep(2)
        assert one.callers.used == {}

    store = FakeStore(stored(credential("a", "send"), credential("unused", "send")))
    kept(story, store, credential("given", "send"))
    hour_us = NOW_US - NOW_US % USE_GRAIN_US
    assert store.uses == [{"a": hour_us}, {"a": hour_us + USE_GRAIN_US}]
