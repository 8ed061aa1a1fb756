"""Sign-ins that began here and did not come back yet: bounded in number and time, each used once.

RFC 9700 section 4.7.1: what comes back must belong to the browser that began, so the state is tied to its cookie.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.values.instants import SECOND_US

TOKEN_BYTES: Final = 32
"""256 bits: RFC 6749 section 10.10 wants 128 at least, RFC 7636 section 4.1 256 for a verifier."""
TOKEN_CHARS: Final = 43
LASTS_US: Final = 600 * SECOND_US
UNDER_WAY_MAX: Final = 1_000


@dataclass(frozen=True, slots=True)
class UnderWay:
    """``begun_us`` is by a clock that never steps, ``begun_wall_s`` by the one that providers have too."""

    then: str
    begun_us: int
    begun_wall_s: int
    browser: str = field(default_factory=lambda: secrets.token_urlsafe(TOKEN_BYTES), repr=False)
    nonce: str = field(default_factory=lambda: secrets.token_urlsafe(TOKEN_BYTES), repr=False)
    verifier: str = field(default_factory=lambda: secrets.token_urlsafe(TOKEN_BYTES), repr=False)

    def is_of(self, browser: str) -> bool:
        """Did the browser with that cookie begin it?"""
        return hmac.compare_digest(self.browser.encode(), browser.encode(errors="replace"))


class SignInsUnderWay:
    """By the SHA-256 of the state: how long a look-up takes says nothing of any. The oldest gives way to a newcomer."""

    def __init__(self) -> None:
        self._by_state: dict[str, UnderWay] = {}

    def __len__(self) -> int:
        return len(self._by_state)

    def begin(self, one: UnderWay) -> str:
        """The state."""
        kept = {key: known for key, known in self._by_state.items() if not _is_over(known, one.begun_us)}
        while len(kept) >= UNDER_WAY_MAX:
            del kept[next(iter(kept))]
        state = secrets.token_urlsafe(TOKEN_BYTES)
        kept[_key(state)] = one
        self._by_state = kept
        return state

    def take(self, state: str, now_us: int) -> UnderWay | None:
        """Once, whatever comes of it (RFC 9700 section 4.7.1: one-time use)."""
        found = self._by_state.pop(_key(state), None) if len(state) == TOKEN_CHARS else None
        return None if found is None or _is_over(found, now_us) else found


def _is_over(one: UnderWay, now_us: int) -> bool:
    return now_us - one.begun_us >= LASTS_US


def _key(state: str) -> str:
    return hashlib.sha256(state.encode(errors="replace")).hexdigest()
