"""Sends what was sealed here to a centre through a broker, which may be cut off from the centre for weeks.

What the broker keeps is *sent*, what the centre's answer says it holds is *stored*, and nothing else counts. Facts are
sent ahead of the answers, in rounds: where an answer to a message of this round says that the centre lacks what lies
before it, that is lost, and the next round begins where the centre stands, with one batch under way until it catches
up. Nothing of that is kept: after a restart the broker's own latest batch and the centre's latest answer say how far it
is, and a message without facts asks whether that is true.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from pagereeve.domain.forwarding.batch import FACTS_MAX
from pagereeve.domain.forwarding.message import MessageId
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.alerts.delivery import Pause
from pagereeve.engine.forwarding.batches import BatchMaker, MadeBatch
from pagereeve.engine.forwarding.sender import PAUSE_LONGEST_S, REST_SHARE, TELL_EVERY_S, Report, take_turns
from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.ports.broker import BrokerTrouble, HeardAnswer, SiteBroker
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy
from pagereeve.ports.forwarding import TROUBLES, NotForwarded, SealedFacts, Trouble
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.telemetry import ForwardingTelemetry

# So many facts at the most are sent ahead of the answers; how many of them a broker keeps is its own limit.
AHEAD_MAX: Final = 1_000_000
# While nothing is answered it is asked ever less often: each question lies in the broker until the link is back.
ASK_LONGEST_S: Final = 3_600.0
# Each exchange with the broker has a time-out of its own, this is for one that has not.
BROKER_WITHIN_S: Final = 300.0
SILENT_AFTER_US: Final = 900 * SECOND_US
"""So long after something was sent, a centre that answered nothing is named."""


@dataclass(slots=True)
class Hindrance:
    """Why nothing goes on, and until when nothing is tried."""

    text: str = ""
    pause: Pause = field(default_factory=Pause)


@dataclass(slots=True)
class PublishingSender:
    """``site`` is what the centre calls this site. ``pressed``: is the daemon overloaded? Then a backlog waits.

    Of ``size`` facts sealed here the broker keeps, or kept, those up to ``sent``; the centre last answered that it
    ``has`` so many (None: it did not yet).
    """

    centre: SiteBroker
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
    size: int = 0
    sent: int = 0
    has: int | None = None
    _batches: BatchMaker = field(init=False)
    _round: int = 0
    _from: int = 0
    _questions: int = 0
    _ahead_max: int = AHEAD_MAX
    _facts_max: int = FACTS_MAX
    _last: MessageId | None = None
    _last_us: int = 0
    _waits_since_us: int | None = None
    _ask_after_s: float = TELL_EVERY_S
    _heard: HeardAnswer | None = None
    _sending: Hindrance = field(default_factory=Hindrance)
    _joining: Hindrance = field(default_factory=Hindrance)

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)
        self._batches = BatchMaker(self.store, self.site)

    @property
    def name(self) -> str:
        return self.centre.name

    @property
    def trouble(self) -> str:
        silent = ""
        since_us = self._waits_since_us
        if since_us is not None and self.clock.monotonic_us() - since_us >= SILENT_AFTER_US:
            silent = f"unreachable: the broker takes what is sent, and the centre does not answer; {self._ahead()} wait"
        return self._sending.text or self._joining.text or silent

    def telemetry(self) -> ForwardingTelemetry:
        behind = None if self.has is None else max(self.size - self.has, 0)
        refused: dict[str, int] = {trouble: self.counts[trouble] for trouble in TROUBLES}
        return ForwardingTelemetry(refused, self.forwarded, behind, self.accepted_us, self.trouble, self._ahead())

    async def run(self) -> None:
        await take_turns(self.turn, self.heartbeat, self.clock)

    async def turn(self) -> bool:
        """Hears what the centre answered, and sends what is next; is more to be sent at once?"""
        self.heartbeat.does("looks what is sealed", STORE_LONGEST_S)
        self.size = await self.store.last_position()
        if not self.size or self.clock.monotonic_us() < max(self._sending.pause.until_us, self._joining.pause.until_us):
            return False
        self.heartbeat.does("waits for the broker", BROKER_WITHIN_S + STORE_LONGEST_S)
        try:
            async with asyncio.timeout(BROKER_WITHIN_S):
                return await self._exchange()
        except TimeoutError:
            self._hindered(self._sending, "unreachable", f"{self.name} did not answer within {BROKER_WITHIN_S:g} s")
        except BrokerTrouble as error:
            self.counts[error.trouble] += 1
            self._hindered(self._sending, error.trouble, error.problem)
        except NotForwarded as error:
            self._refused(error)
        except JournalUnavailable as error:
            # An archive whose file is not there, a link that is damaged, a database that is away.
            self._hindered(self._sending, "the journal can't be read", str(error))
        return False

    async def _exchange(self) -> bool:
        """Raises NotForwarded, JournalUnavailable."""
        if not self._round or self._waits_since_us is not None:
            await self._hear()
        if not self._round:
            await self._begin()
        elif self._may_send():
            await self._send()
        elif self.clock.monotonic_us() - self._last_us >= self._ask_after_s * SECOND_US:
            await self._ask()
        return self._may_send()

    def _may_send(self) -> bool:
        """One batch at least is under way while anything is to be sent."""
        has_room = self._ahead() == 0 or self._ahead() < self._ahead_max
        return self.sent < self.size and has_room and not self.pressed()

    def _ahead(self) -> int:
        return max(self.sent - (self.has or 0), 0)

    async def _begin(self) -> None:
        """A round begins behind all that is sent, as far as that is known, and asks."""
        kept = await self._kept() if self._ahead_max else 0
        self.sent = self._from = max(kept, self.has or 0)
        self._batches.forget()
        self._round = self.clock.now_us()
        try:
            await self._ask()
        except NotForwarded:
            self._round = 0
            raise

    async def _kept(self) -> int:
        """Up to where the broker's latest message of this journal goes."""
        latest = await self.centre.latest()
        if latest is None or latest.origin != await self._batches.origin() or latest.end > self.size:
            return 0
        return latest.end

    async def _ask(self) -> None:
        """Whether the centre holds all that is sent, and another past than ours (a question has ours at its end)."""
        self._questions += 1
        await self._publish(await self._batches.question(self.size, self.size), self.sent, self._questions)
        self._ask_after_s = min(self._ask_after_s * 2, ASK_LONGEST_S)

    async def _send(self) -> None:
        began_us = self.clock.monotonic_us()
        made = await self._batches.made(self.sent, self.size, self._facts_max)
        took_s = (self.clock.monotonic_us() - began_us) / SECOND_US
        try:
            await self._publish(made, made.end)
        except BrokerTrouble as error:
            if error.trouble == "too-large":
                self._facts_max = max(len(made.batch.facts) // 2, 1)
            raise
        self._facts_max = min(self._facts_max + 1, FACTS_MAX)
        self.sent = made.end
        self.size = max(self.size, made.end)
        self._batches.went(made)
        # Badges and gated notices come first: a backlog of weeks has half of the time at most.
        await self.clock.sleep(REST_SHARE * took_s)

    async def _publish(self, made: MadeBatch, end: int, question: int = 0) -> None:
        message_id = MessageId(self.site, made.batch.origin, self.sent, end, self._round, question)
        await self.centre.publish(made.raw, message_id)
        self._last, self._last_us = message_id, self.clock.monotonic_us()
        if self._waits_since_us is None:
            self._waits_since_us = self._last_us
        self._goes_on(self._sending)

    async def _hear(self) -> None:
        try:
            heard = await self.centre.answer()
        except BrokerTrouble:
            raise
        except NotForwarded as error:
            # The next answer takes its place, and comes only to what is sent.
            self._garbled(error)
            return
        if heard is None or heard == self._heard or heard.id.origin != await self._batches.origin():
            return
        is_ours = bool(self._round) and heard.id.round == self._round
        if is_ours:
            await self._answered(heard)
        elif heard.answer is not None:
            await self._remembered(heard)
        self._heard = heard

    async def _answered(self, heard: HeardAnswer) -> None:
        """To a message of this round. Raises NotForwarded."""
        if heard.answer is None:
            raise heard.refused or NotForwarded("malformed", f"{self.name} keeps an answer that says nothing")
        has = heard.answer.has
        self.size = max(self.size, await self.store.last_position())
        await self._batches.require_same(heard.answer, self.size, self.name)
        if has < heard.id.end:
            problem = f"{self.name} lost facts on their way: the centre has {has}, and {heard.id.end} were sent"
            raise NotForwarded("gap", problem, has)
        self.forwarded += max(has - (self._from if self.has is None else self.has), 0)
        self._holds(has)
        self.accepted_us = self.clock.now_us()
        self._ahead_max = min(max(2 * self._ahead_max, FACTS_MAX), AHEAD_MAX)
        self._ask_after_s = TELL_EVERY_S
        self._waits_since_us = None if heard.id == self._last else self.clock.monotonic_us()
        self._goes_on(self._joining)

    async def _remembered(self, heard: HeardAnswer) -> None:
        """To a message of before: where the centre was, unless that is not of this journal, of which it is asked."""
        if heard.answer is None:
            return
        try:
            await self._batches.require_same(heard.answer, self.size, self.name)
        except NotForwarded:
            self._ahead_max = 0
            return
        self._holds(heard.answer.has)

    def _holds(self, has: int) -> None:
        self.has = has
        if has > self.sent:
            self.sent = has
            self._batches.forget()

    def _refused(self, error: NotForwarded) -> None:
        """The next round begins where the centre stands, as far as it said so."""
        self.counts[error.trouble] += 1
        self._round, self._ahead_max, self._waits_since_us = 0, 0, None
        self.has = None if error.has is None or error.has > self.size else error.has
        self._hindered(self._joining, error.trouble, error.problem)

    def _garbled(self, error: NotForwarded) -> None:
        if not self._joining.text:
            self.counts[error.trouble] += 1
            self._hindered(self._joining, error.trouble, error.problem)

    def _goes_on(self, hindrance: Hindrance) -> None:
        was, hindrance.text, hindrance.pause = hindrance.text, "", Pause()
        if was and not self.trouble:
            self.report(self.name, "takes facts again", "")

    def _hindered(self, hindrance: Hindrance, what: str, why: str) -> None:
        hindrance.pause.longer(self.clock.monotonic_us(), self.entropy.jitter(), PAUSE_LONGEST_S)
        if hindrance.text != (text := f"{what}: {why}"):
            hindrance.text = text
            self.report(self.name, what, why)
