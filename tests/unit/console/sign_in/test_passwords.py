"""Which passwords are accepted, and what it takes to compare one."""

from __future__ import annotations

import asyncio
import threading
import unicodedata
from typing import Literal

import pytest
from argon2 import PasswordHasher, extract_parameters
from argon2.profiles import RFC_9106_LOW_MEMORY

from pagereeve.console.sign_in import passwords
from pagereeve.console.sign_in.passwords import Passwords, TooBusy, password_trouble

# argon2's least (RFC 9106 section 3.1): what is tested is what we make of it.
CHEAP = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
GOOD = "four pages of rhubarb"


@pytest.mark.parametrize(
    ("password", "word"),
    [
        ("", "has 0 of at least 15"),
        ("fourteen chars", "has 14"),
        ("a" * 300, "more than 200"),
        ("a" * 20, "repeats"),
        ("abab" * 10, "repeats"),
        (f"{GOOD}\0", "control character"),
        (f"{GOOD}\ud800", "control character"),
        (f"{GOOD}\n", "control character"),
        ("e\u0301" * 7 + "abcdefg", "has 14"),  # letters as they are compared
    ],
)
def test_a_password_that_is_none_is_refused_without_being_repeated(password: str, word: str) -> None:
    told = password_trouble(password)
    assert word in told
    assert len(password) < 15 or password not in told


@pytest.mark.parametrize(
    "password", [GOOD, "only lower case letters", "0123456789abcde", "ÄÖÜ ßéçñ 漢字 naïve", "ab cd " * 33]
)
def test_length_is_all_that_is_asked_for(password: str) -> None:
    """No rules of composition: NIST SP 800-63B-4 section 3.1.1.2."""
    assert password_trouble(password) == ""


def test_what_is_kept_takes_the_published_cost_and_never_twice_the_same() -> None:
    """RFC 9106 section 4, the second recommended option."""
    assert extract_parameters(PasswordHasher().hash(GOOD)) == RFC_9106_LOW_MEMORY
    kept = Passwords(CHEAP)
    assert kept.kept(GOOD) != kept.kept(GOOD)
    assert GOOD not in kept.kept(GOOD)


async def test_a_password_is_right_however_a_keyboard_composed_it() -> None:
    mine = Passwords(CHEAP)
    kept = mine.kept("crème brûlée à la carte")
    for right in ("crème brûlée à la carte", unicodedata.normalize("NFD", "crème brûlée\u00a0à la carte")):
        assert await mine.is_right(kept, right)
    for wrong in ("", "creme brulee a la carte", "crème brûlée à la carte ", "Crème brûlée à la carte"):
        assert not await mine.is_right(kept, wrong)


@pytest.mark.parametrize("kept", [None, "", "$", "$proxied", "$argon2id$v=19$m=8,t=1,p=1$damaged", "0" * 64])
async def test_what_is_nobodys_or_damaged_opens_nothing(kept: str | None) -> None:
    mine = Passwords(CHEAP)
    for password in (GOOD, "", "nobody's password", "proxied"):
        assert not await mine.is_right(kept, password)


async def test_an_unknown_name_costs_a_comparison_too() -> None:
    compared: list[str] = []

    class Watched(PasswordHasher):
        def verify(self, hash: str | bytes, password: str | bytes) -> Literal[True]:  # noqa: A002 - the library's word
            compared.append(str(hash))
            return super().verify(hash, password)

        def hash(self, password: str | bytes, *, salt: bytes | None = None) -> str:
            made.append("")
            return super().hash(password, salt=salt)

    made: list[str] = []
    kept = Passwords(CHEAP).kept(GOOD)
    for first in (kept, None):
        mine = Passwords(Watched(time_cost=1, memory_cost=8, parallelism=1))
        await mine.is_right(first, "another one of mine")
        assert len(made) == 1  # to whoever comes first
        await mine.is_right(None if first else kept, "another one of mine")
        assert len(made) == 1
        made.clear()
    assert len(compared) == 4
    assert len({str(extract_parameters(one)) for one in compared}) == 1


async def test_two_are_compared_at_once_and_few_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(passwords, "WAITING_MAX", 5)
    goes_on, lock = threading.Event(), threading.Lock()
    at_work = most = 0

    class Slow(PasswordHasher):
        def verify(self, hash: str | bytes, password: str | bytes) -> Literal[True]:  # noqa: A002 - the library's word
            nonlocal at_work, most
            with lock:
                at_work += 1
                most = max(most, at_work)
            goes_on.wait(10)
            with lock:
                at_work -= 1
            return True

    mine = Passwords(Slow())
    running = [asyncio.create_task(mine.is_right("$kept", GOOD)) for _ in range(5)]
    while at_work < 2:  # noqa: ASYNC110 - threads say it
        await asyncio.sleep(0.01)
    with pytest.raises(TooBusy):
        await mine.is_right("$kept", GOOD)
    running[0].cancel()  # who gave up keeps its turn until its thread ends
    await asyncio.sleep(0.05)
    assert most == 2
    goes_on.set()
    assert [one for one in await asyncio.gather(*running, return_exceptions=True) if one is True] == [True] * 4
    assert most == 2
    assert await mine.is_right("$kept", GOOD)
