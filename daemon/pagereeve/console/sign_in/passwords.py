"""Passwords of people: which are accepted, what is kept of them, and how one is compared with that.

What is kept is argon2id's encoded text, with argon2-cffi's defaults (RFC 9106 section 4, the second recommended
option): 64 MiB and some tenths of a second for each guess, whoever makes it.
"""

from __future__ import annotations

import asyncio
import unicodedata
from collections.abc import Callable
from functools import partial
from typing import Final, TypeVar

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

# NIST SP 800-63B-4 section 3.1.1.2: 15 characters where a password is all that is asked for, 64 at least must be
# allowed, and no rules of composition. A character is a code point.
PASSWORD_MIN: Final = 15
PASSWORD_MAX: Final = 200
# The same section has repeated characters refused, as what is tried first.
DIFFERENT_MIN: Final = 5
AT_ONCE: Final = 2
WAITING_MAX: Final = 16

Made = TypeVar("Made")


class TooBusy(Exception):
    """WAITING_MAX wait for their turn already."""


def prepared(password: str) -> str:
    """As it is compared, however a keyboard composed it: RFC 8265 section 4.2.2 (all blanks are one, NFC)."""
    blanks = "".join(" " if unicodedata.category(one) == "Zs" else one for one in password)
    return unicodedata.normalize("NFC", blanks)


def password_trouble(password: str) -> str:
    """Why it can't be one; "" where nothing is wrong. Nothing of it is repeated."""
    if any(unicodedata.category(one) in {"Cc", "Cs"} for one in password):
        return "the password holds a control character, which no form can send; choose another"
    length = len(prepared(password))
    if length < PASSWORD_MIN:
        return f"the password has {length} of at least {PASSWORD_MIN} characters; a few words in a row are a good one"
    if length > PASSWORD_MAX:
        return f"the password has more than {PASSWORD_MAX} characters; choose a shorter one"
    if len(set(prepared(password))) < DIFFERENT_MIN:
        return f"the password repeats fewer than {DIFFERENT_MIN} characters, and is guessed at once; choose another"
    return ""


class Passwords:
    """Hashes in threads, AT_ONCE at most: so many times 64 MiB, and no more of the processor's cores."""

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        self._hasher = hasher or PasswordHasher()
        self._turns = asyncio.Semaphore(AT_ONCE)
        self._waiting = 0
        self._nobodys: str | None = None

    def kept(self, password: str) -> str:
        """What the journal keeps of it. Takes some tenths of a second."""
        return self._hasher.hash(prepared(password))

    async def is_right(self, kept: str | None, password: str) -> bool:
        """Takes as long where ``kept`` is None, for a name that nobody has. Raises TooBusy."""
        if self._waiting >= WAITING_MAX:
            raise TooBusy
        self._waiting += 1
        try:
            async with self._turns:
                if self._nobodys is None:  # whoever comes first: else one name would take twice as long as another
                    self._nobodys = await _in_thread(partial(self.kept, "nobody's password"))
                compared = self._nobodys if kept is None else kept
                right = await _in_thread(partial(self._matches, compared, prepared(password)))
        finally:
            self._waiting -= 1
        return right and kept is not None

    def _matches(self, kept: str, password: str) -> bool:
        """What is damaged opens nothing."""
        try:
            return self._hasher.verify(kept, password)
        except (VerificationError, InvalidHashError):
            return False


async def _in_thread(work: Callable[[], Made]) -> Made:
    """A thread can't be stopped: whoever gave up waits for its end all the same, so that no turn is free before."""
    running = asyncio.ensure_future(asyncio.to_thread(work))
    try:
        return await asyncio.shield(running)
    except asyncio.CancelledError:
        await asyncio.wait([running])
        raise
