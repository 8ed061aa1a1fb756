"""Attempts to sign in: how many there may be, and what came of one."""

from __future__ import annotations

from typing import Final, Literal

from pagereeve.console.sign_in.passwords import PASSWORD_MAX, Passwords, TooBusy
from pagereeve.domain.credentials.book import Credential, NotKnown
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.feeds.buckets import Buckets
from pagereeve.feeds.http.callers import HttpCallers
from pagereeve.ports.clock import Clock

Failed = Literal["wrong", "wait"]
"""``wrong``: name or password, and nobody is told which. ``wait``: too many attempts."""

# Common practice, no source. NIST SP 800-63B-4 section 3.2.2 has no more than 100 failures in a row; a name is not
# locked beyond what is gained by waiting, else anybody could lock anybody out.
EACH_PEER: Final = (1 / 10, 30.0)
EACH_NAME: Final = (1 / 30, 20.0)


class Attempts:
    def __init__(self, callers: HttpCallers, passwords: Passwords, clock: Clock) -> None:
        self._callers = callers
        self._passwords = passwords
        self._clock = clock
        self._peers = Buckets(*EACH_PEER)
        self._names = Buckets(*EACH_NAME)

    async def tried(self, peer: str, name: str, password: str) -> Credential | Failed:
        """Whose the name is, where the password is too. How long it takes says nothing of whether there is such a name.

        Failures are counted by reason (HttpCallers.failures).
        """
        now_s = self._clock.monotonic_us() / SECOND_US
        if self._peers.take(peer, now_s) or self._names.take(name[:PASSWORD_MAX], now_s):
            return "wait"
        credential = self._callers.book.for_sign_in(name)
        kept = None if credential is None else credential.password
        try:
            right = await self._passwords.is_right(kept, password[: PASSWORD_MAX + 1])
        except TooBusy:
            return "wait"
        if credential is None or not right:
            self._callers.failures["unknown" if credential is None else "bad-password"] += 1
            return "wrong"
        try:
            self._callers.of_sign_in(credential)
        except NotKnown as error:
            self._callers.failures[error.failure] += 1
            return "wrong"
        return credential
