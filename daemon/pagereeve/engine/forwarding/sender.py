"""Sends a centre what was sealed here, in order, one batch under way. What the centre answers is the truth: nothing of
how far it came is kept, and a restart asks.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.forwarding.batch import FACTS_MAX
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.alerts.delivery import Pause
from pagereeve.engine.forwarding.batches import BatchMaker, MadeBatch
from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy
from pagereeve.ports.forwarding import TROUBLES, Centre, CentreAnswer, NotForwarded, SealedFacts, Trouble
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.telemetry import ForwardingTelemetry

LOOK_EVERY_S: Final = 1.0
# A centre hears at least so often how much is sealed here.
TELL_EVERY_S: Final = 60.0
PAUSE_LONGEST_S: Final = 300.0
# The centre keeps to a time-out of its own, this is for one that does not.
ANSWER_WITHIN_S: Final = 330.0
# While much waits, a batch is followed by so many times as long as it took this process to make it.
REST_SHARE: Final = 1.0
# On a thin line a full batch may take longer than the centre waits: half as many facts after each failure, and so many
# more after each success (as TCP keeps its window, RFC 5681 section 3.1).
FACTS_LEAST: Final = 16

Report = Callable[[str, str, str], None]
"""(centre, what, why): when facts begin and cease to be forwarded."""


async def take_turns(turn: Callable[[], Awaitable[bool]], heartbeat: Heartbeat, clock: Clock) -> None:
    """One after the other; where one says that no more is due at once, after a rest."""
    while True:
        more = await turn()
        heartbeat.succeeded()
        if not more:
            heartbeat.rests(LOOK_EVERY_S)
            await clock.sleep(LOOK_EVERY_S)


@dataclass(slots=True)
class ForwardingSender:
    """``site`` is what the centre calls this site. ``pressed``: is the daemon overloaded? Then a backlog waits.

    ``size`` facts are sealed here, of which the centre last answered that it ``has`` so many (None: it did not yet).
    """

    centre: Centre
    site: str
    store: SealedFacts
    clock: Clock
    entropy: Entropy
    pressed: Callable[[], bool] = lambda: False
    report: Report = lambda _centre, _what, _why: None
    heartbeat: Heartbeat = field(init=False)
    counts: Counter[Trouble] = field(default_factory=Counter)
    forwarded: int = 0
    accepted_us: int | None = None
    trouble: str = ""
    size: int = 0
    has: int | None = None
    _sure: bool = False
    _batches: BatchMaker = field(init=False)
    _facts_max: int = FACTS_MAX
    _away: Pause = field(default_factory=Pause)
    _told_us: int | None = None

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)
        self._batches = BatchMaker(self.store, self.site)

    @property
    def name(self) -> str:
        return self.centre.name

    def telemetry(self) -> ForwardingTelemetry:
        """Nothing is known of how far behind the centre is until it has answered once."""
        behind = None if self.has is None else max(self.size - self.has, 0)
        refused: dict[str, int] = {trouble: self.counts[trouble] for trouble in TROUBLES}
        return ForwardingTelemetry(refused, self.forwarded, behind, self.accepted_us, self.trouble)

    async def run(self) -> None:
        await take_turns(self.turn, self.heartbeat, self.clock)

    async def turn(self) -> bool:
        """One exchange with the centre, if one is due; is the next one due at once?"""
        self.heartbeat.does("looks what is sealed", STORE_LONGEST_S)
        self.size = await self.store.last_position()
        now_us = self.clock.monotonic_us()
        if now_us < self._away.until_us:
            return False
        try:
            if self.has is None or not self._sure:
                await self._ask()
            elif self.has < self.size:
                if self.pressed():
                    return False
                await self._send(self.has)
            elif self._told_us is None or now_us - self._told_us >= TELL_EVERY_S * SECOND_US:
                await self._ask()
        except NotForwarded as error:
            self._failed(error)
            return False
        except JournalUnavailable as error:
            # An archive whose file is not there, a link that is damaged, a database that is away.
            self._stopped("the journal can't be read", str(error))
            return False
        return self.has is not None and self.has < self.size

    async def _ask(self) -> None:
        """How far is the centre? Its answer is compared with what is sealed here under that place."""
        self._sure = False
        answer = await self._exchange(await self._batches.question(self.size, self.size))
        self.has = answer.has
        if answer.has > self.size:
            # Another worker on the same database may have forwarded what was sealed meanwhile.
            self.size = await self.store.last_position()
        await self._batches.require_same(answer, self.size, self.name)
        self._batches.forget()
        self._accepted(answer.has)

    async def _send(self, after: int) -> None:
        self.heartbeat.does("reads what is to be forwarded", STORE_LONGEST_S)
        began_us = self.clock.monotonic_us()
        made = await self._batches.made(after, self.size, self._facts_max)
        self.size = max(self.size, made.end)
        took_s = (self.clock.monotonic_us() - began_us) / SECOND_US
        try:
            answer = await self._exchange(made)
        except NotForwarded as error:
            if error.trouble in {"unreachable", "busy", "too-large"}:
                self._facts_max = max(self._facts_max // 2, FACTS_LEAST)
            raise
        self._facts_max = min(self._facts_max + FACTS_LEAST, FACTS_MAX)
        if answer.has <= after or answer.has > self.size:
            problem = f"{self.name} answers that it has {answer.has} facts after it took up to {made.end}"
            raise NotForwarded("malformed", problem, answer.has)
        self.forwarded += answer.has - after
        self._batches.went(made)
        if answer.has != made.end:
            self._batches.forget()
        self._accepted(answer.has)
        # Badges and gated notices come first: a backlog of weeks has half of the time at most.
        await self.clock.sleep(REST_SHARE * took_s)

    async def _exchange(self, made: MadeBatch) -> CentreAnswer:
        self.heartbeat.does("waits for the centre's answer", ANSWER_WITHIN_S + STORE_LONGEST_S)
        try:
            async with asyncio.timeout(ANSWER_WITHIN_S):
                answer = await self.centre.forward(made.raw)
        except TimeoutError:
            raise NotForwarded("unreachable", f"{self.name} did not answer within {ANSWER_WITHIN_S:g} s") from None
        self._told_us = self.clock.monotonic_us()
        return answer

    def _accepted(self, has: int) -> None:
        self.has, self._sure, self.accepted_us = has, True, self.clock.now_us()
        self._away = Pause()
        if self.trouble:
            self.trouble = ""
            self.report(self.name, "takes facts again", "")

    def _failed(self, error: NotForwarded) -> None:
        """The next turn asks how far the centre is: a batch may have been joined all the same."""
        self._sure = False
        self.has = self.has if error.has is None else error.has
        self.counts[error.trouble] += 1
        self._stopped(error.trouble, error.problem, error.retry_after_s)

    def _stopped(self, what: str, why: str, retry_after_s: float = 0.0) -> None:
        now_us = self.clock.monotonic_us()
        self._away.longer(now_us, self.entropy.jitter(), PAUSE_LONGEST_S)
        asked_us = now_us + int(min(retry_after_s, PAUSE_LONGEST_S) * SECOND_US)
        self._away.until_us = max(self._away.until_us, asked_us)
        if self.trouble != (trouble := f"{what}: {why}"):
            self.trouble = trouble
            self.report(self.name, what, why)
