"""From the user at the other end of the local socket to what it may do."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from typing import Final

from pagereeve.domain.credentials.callers import Act, Caller
from pagereeve.feeds.local.peer import ROOT_UID, LocalUser, local_user, nameless
from pagereeve.feeds.local.settings import LocalSettings

# Who administers the machine, or is the daemon, could change the journal itself. Badges and releases have senders of
# their own: whoever is listed may send, and nobody does so by being root.
OWN_ACTS: Final[frozenset[Act]] = frozenset({"note", "decide", "read", "names", "administer"})
# A directory service that is away must hold up nobody: the user then goes by its number, and is in no group.
LOOKUP_S: Final = 2.0
# What the databases said is asked again after so long, and so many users are remembered.
KEPT_S: Final = 10.0
KEPT_MAX: Final = 256
LOOKUP_THREADS: Final = 2


class LocalCallers:
    """``own_uid`` is the daemon's user. ``look`` asks the system's databases, in a thread of its own."""

    def __init__(self, settings: LocalSettings, own_uid: int, look: Callable[[int], LocalUser] = local_user) -> None:
        self._settings = settings
        self._own_uid = own_uid
        self._look = look
        self._threads = ThreadPoolExecutor(LOOKUP_THREADS, thread_name_prefix="users")
        self._kept: dict[int, tuple[float, asyncio.Future[LocalUser]]] = {}

    def change(self, settings: LocalSettings) -> None:
        """In force from the next request on."""
        self._settings = settings

    def close(self) -> None:
        self._threads.shutdown(wait=False, cancel_futures=True)

    async def caller_of(self, uid: int) -> Caller:
        user = await self._user(uid)
        limits = (_limit_of(user, self._settings.pages_max), _limit_of(user, self._settings.pages_day_max))
        return Caller(user.name, self._acts_of(user), None, None, *limits)

    def _acts_of(self, user: LocalUser) -> frozenset[Act]:
        settings = self._settings
        acts = set(settings.users.get(user.name, ()))
        for group in user.groups:
            acts.update(settings.groups.get(group, ()))
        if user.uid in {ROOT_UID, self._own_uid}:
            acts |= OWN_ACTS
        return frozenset(acts)

    async def _user(self, uid: int) -> LocalUser:
        """One lookup of a user at a time, which all that ask meanwhile share."""
        loop = asyncio.get_running_loop()
        since_s, looking = self._kept.get(uid, (-KEPT_S, None))
        if looking is None or (looking.done() and loop.time() - since_s >= KEPT_S):
            self._kept.pop(uid, None)
            self._forget_some()
            if len(self._kept) >= KEPT_MAX:
                return nameless(uid)
            looking = loop.run_in_executor(self._threads, self._look, uid)
            self._kept[uid] = (loop.time(), looking)
        try:
            async with asyncio.timeout(LOOKUP_S):
                return await asyncio.shield(looking)
        except TimeoutError:
            return nameless(uid)

    def _forget_some(self) -> None:
        """Those that are answered, the oldest first; what still waits for an answer is counted as long as it does."""
        for uid in [uid for uid, (_, looking) in self._kept.items() if looking.done()]:
            if len(self._kept) < KEPT_MAX:
                return
            del self._kept[uid]


def _limit_of(user: LocalUser, limits: Mapping[str, int]) -> int | None:
    """The user's own limit comes before those of its groups, of which the largest holds; None: no limit."""
    if user.name in limits:
        return limits[user.name]
    return max((limits[group] for group in user.groups if group in limits), default=None)
