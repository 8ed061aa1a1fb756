"""Who is signed in: kept in memory, so that a restart signs everybody out, and bounded in number and time."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.values.instants import SECOND_US

TOKEN_BYTES: Final = 32
LONGEST_US: Final = 12 * 3_600 * SECOND_US
UNUSED_US: Final = 3_600 * SECOND_US
NAMES_US: Final = 600 * SECOND_US
SESSIONS_MAX: Final = 1_000
# Of one person: whoever has one does not sign all others out.
EACH_MAX: Final = 20
# As secrets.token_urlsafe writes TOKEN_BYTES.
TOKEN_CHARS: Final = 43


@dataclass(slots=True)
class Session:
    """Of one sign-in. Instants are our own dates, microseconds since 1970.

    ``kept`` is what the credential was known by then: where that is another now, the session is over. ``form_token`` is
    in our own pages alone: who sends it has read one. Names are shown before ``names_until_us``. ``id_token`` is by
    what an OpenID provider knows its own session, "" where it is not kept.
    """

    name: str
    kept: str = field(repr=False)
    begun_us: int
    used_us: int
    by_proxy: bool = False
    names_until_us: int = 0
    id_token: str = field(default="", repr=False)
    form_token: str = field(default_factory=lambda: secrets.token_urlsafe(TOKEN_BYTES), repr=False)

    def is_over(self, now_us: int) -> bool:
        return now_us - self.begun_us >= LONGEST_US or now_us - self.used_us >= UNUSED_US

    def shows_names(self, now_us: int) -> bool:
        return now_us < self.names_until_us

    def is_proven_by(self, form_token: str) -> bool:
        return hmac.compare_digest(self.form_token.encode(), form_token.encode(errors="replace"))


class Sessions:
    """By the SHA-256 of the token in the cookie: what is read from our memory opens nothing. The oldest unused go."""

    def __init__(self) -> None:
        self._sessions: dict[str, Session] = {}

    def __len__(self) -> int:
        return len(self._sessions)

    def begin(self, name: str, kept: str, now_us: int, id_token: str = "") -> str:
        """The token of a new session, which is in no other place."""
        token = secrets.token_urlsafe(TOKEN_BYTES)
        self._put(_key(token), Session(name, kept, now_us, now_us, id_token=id_token))
        return token

    def of_token(self, token: str, now_us: int, *, by_itself: bool = False) -> Session | None:
        """None for one that is over. It counts as used now, but for what a page asks ``by_itself``."""
        return self._used(_key(token), now_us, by_itself=by_itself) if len(token) == TOKEN_CHARS else None

    def holds(self, session: Session, now_us: int) -> bool:
        """Is it neither over nor ended?"""
        return not session.is_over(now_us) and any(one is session for one in self._sessions.values())

    def of_proxy(self, name: str, kept: str, now_us: int, on_begun: Callable[[], None] = lambda: None) -> Session:
        """A proxy in front says who it is each time, so no cookie does: one session for each name. ``on_begun`` hears
        of a new one.
        """
        key = f"proxy {name}"
        found = self._used(key, now_us, by_itself=False)
        if found is None or found.kept != kept:
            found = Session(name, kept, now_us, now_us, by_proxy=True)
            self._put(key, found)
            on_begun()
        return found

    def end(self, session: Session) -> None:
        for key in [key for key, one in self._sessions.items() if one is session]:
            del self._sessions[key]

    def _used(self, key: str, now_us: int, *, by_itself: bool) -> Session | None:
        found = self._sessions.pop(key, None)
        if found is None or found.is_over(now_us):
            return None
        if not by_itself:
            found.used_us = now_us
        self._sessions[key] = found  # last in order
        return found

    def _put(self, key: str, session: Session) -> None:
        now_us = session.begun_us
        self._sessions = {key: one for key, one in self._sessions.items() if not one.is_over(now_us)}
        own = [key for key, one in self._sessions.items() if one.name == session.name]
        for over in own[: max(len(own) - EACH_MAX + 1, 0)]:
            del self._sessions[over]
        while len(self._sessions) >= SESSIONS_MAX:
            del self._sessions[next(iter(self._sessions))]
        self._sessions[key] = session


def _key(token: str) -> str:
    return hashlib.sha256(token.encode(errors="replace")).hexdigest()
