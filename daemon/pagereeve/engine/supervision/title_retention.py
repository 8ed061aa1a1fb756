"""Titles of jobs go once the time is over for which the site keeps them: a few at a time, beside all other work."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Final

from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.ports.clock import Clock
from pagereeve.ports.erasing import TitleExpiry, TitlesExpired
from pagereeve.ports.journal import JournalUnavailable

EVERY_S: Final = 3_600.0
"""So much later than the setting says a title may go."""
PAUSE_S: Final = 0.2
"""Between two transactions, so that badges and releases come first: a million releases take seven minutes."""
PASS_STEPS_MAX: Final = 100_000
"""Of one pass; the next one goes on from the beginning."""

KeepFor = Callable[[], int | None]
"""How long, in microseconds; None: for good."""
Expire = Callable[[TitleExpiry], Awaitable[TitlesExpired]]


async def expire_all(
    expire: Expire, clock: Clock, keep_us: int, by: str, new_name: Callable[[], str], pause_s: float = 0.0
) -> int:
    """From how many facts a title went. Raises JournalUnavailable."""
    facts, after = 0, None
    before_us = clock.now_us() - keep_us
    for _ in range(PASS_STEPS_MAX):
        done = await expire(TitleExpiry(new_name(), by, clock.now_us(), before_us, after))
        facts, after = facts + done.facts, done.after
        if after is None:
            break
        await clock.sleep(pause_s)
    return facts


class TitleRetention:
    """``on_expired`` hears how many went; ``new_name`` gives each transaction's name of nobody."""

    def __init__(
        self,
        clock: Clock,
        expire: Expire,
        keep_for: KeepFor,
        new_name: Callable[[], str],
        on_expired: Callable[[int], None],
    ) -> None:
        self._clock = clock
        self._expire = expire
        self._keep_for = keep_for
        self._new_name = new_name
        self._on_expired = on_expired
        self.heartbeat = Heartbeat(clock)

    async def run(self) -> None:
        while True:
            await self._pass()
            self.heartbeat.rests(EVERY_S)
            await self._clock.sleep(EVERY_S)

    async def _pass(self) -> None:
        keep_us, facts = self._keep_for(), 0
        try:
            if keep_us is not None:
                facts = await expire_all(self._step, self._clock, keep_us, BY, self._new_name, PAUSE_S)
        except JournalUnavailable:
            return  # the journal's own watch tells of it; the next pass goes on
        self.heartbeat.succeeded()
        if facts:
            self._on_expired(facts)

    async def _step(self, expiry: TitleExpiry) -> TitlesExpired:
        self.heartbeat.does("deletes titles of jobs", STORE_LONGEST_S + PAUSE_S)
        return await self._expire(expiry)


BY: Final = "[privacy] keep_titles_for"
"""Who erased, in the fact that tells of it: nobody did by hand."""
