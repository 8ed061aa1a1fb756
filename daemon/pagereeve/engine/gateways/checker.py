"""Each gateway's own sign of life, looked for now and then, and at once when a meter behind it does not answer.

One failed check is a glitch, and is repeated after a moment; two in a row are a fact. One that succeeds is the end.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final, Protocol

from pagereeve.domain.facts.facts import JOURNAL_SOURCE, Fact, GatewayChecked, GatewayState, Origin
from pagereeve.domain.facts.reading import GatewayWord
from pagereeve.domain.findings.finding import Kind
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.supervision.heartbeat import STORE_LONGEST_S, Heartbeat
from pagereeve.ports.clock import Clock
from pagereeve.ports.entropy import Entropy
from pagereeve.ports.gateways import GatewayCheck, GatewayProbe
from pagereeve.ports.journal import Receipt
from pagereeve.ports.ledger import FindingLookup
from pagereeve.ports.telemetry import GatewayTelemetry

KIND: Final[Kind] = "gateway-down"
EVERY_S: Final = 30.0
JITTER: Final = 0.2
TIMEOUT_S: Final = 2.0
# Between a failed check and its repetition: longer than a lost packet, shorter than a reader's patience.
AGAIN_S: Final = 0.5
FAILURES_THAT_TELL: Final = 2
# While it is down people work on it, and what is behind it waits.
WHILE_DOWN_S: Final = 5.0
AT_ONCE_MAX: Final = 64
# A gateway that answered so recently need not be asked again for another printer behind it.
FRESH_S: Final = 1.0
LOOK_EVERY_S: Final = 1.0


class GatewayStore(FindingLookup, Protocol):
    """What is asked of the store."""

    async def append(self, fact: Fact) -> Receipt: ...


@dataclass(slots=True)
class _Watched:
    """``due_us`` and ``answered_us`` are monotonic. ``told`` is the state that the journal has last. ``up`` is what is
    known since the start, and ``changed_us`` (wall time) since when.
    """

    check: GatewayCheck
    due_us: int
    failures: int = 0
    why: str = ""
    answered_us: int | None = None
    told: GatewayState = "up"
    look: asyncio.Task[None] | None = None
    up: bool | None = None
    changed_us: int | None = None

    @property
    def down(self) -> bool:
        return self.failures >= FAILURES_THAT_TELL


@dataclass(slots=True)
class GatewayChecker:
    """``accept`` hears of each fact, once it is durable. Implements ports.gateways.GatewayWords."""

    probe: GatewayProbe
    store: GatewayStore
    clock: Clock
    entropy: Entropy
    accept: Callable[[Fact], None] = lambda _: None
    every_s: float = EVERY_S
    heartbeat: Heartbeat = field(init=False)
    _watched: dict[str, _Watched] = field(default_factory=dict)
    _forgotten: dict[str, _Watched] = field(default_factory=dict)
    _room: asyncio.Semaphore = field(default_factory=lambda: asyncio.Semaphore(AT_ONCE_MAX))

    def __post_init__(self) -> None:
        self.heartbeat = Heartbeat(self.clock)

    async def open(self, checks: Iterable[GatewayCheck]) -> None:
        """``checks`` at the start; what was down before is down until a check succeeds. Raises JournalUnavailable."""
        self.change(checks)
        for finding in await self.store.findings(only_open=True):
            name = str(finding.what.value("gateway") or "")
            if finding.kind != KIND:
                continue
            if name in self._watched:
                self._watched[name].told = "down"
            else:
                self._forgotten[name] = _Watched(GatewayCheck(name, "", 0), 0, told="down")

    def change(self, checks: Iterable[GatewayCheck]) -> None:
        """From now on these. One that is checked no more, or otherwise, is no longer said to be down."""
        wanted = {check.gateway: check for check in checks}
        for name, one in list(self._watched.items()):
            if wanted.get(name) != one.check:
                if one.look is not None:
                    one.look.cancel()
                del self._watched[name]
                if name not in wanted and one.told == "down":
                    self._forgotten[name] = one
                elif name in wanted:
                    self._watched[name] = _Watched(wanted[name], self._due_us(0.0), told=one.told)
        for name in wanted.keys() - self._watched.keys():
            self._watched[name] = _Watched(wanted[name], self._due_us(self.entropy.jitter()))

    def heard(self, checked: GatewayChecked) -> None:
        """Somebody else told it."""
        one = self._watched.get(checked.gateway)
        if one is not None:
            one.told = checked.state

    async def word(self, gateway: str) -> GatewayWord:
        one = self._watched.get(gateway)
        if one is None:
            return ""
        now_us = self.clock.monotonic_us()
        if not one.down and (one.answered_us is None or now_us - one.answered_us > FRESH_S * SECOND_US):
            await asyncio.wait([self._looks(one)], timeout=FAILURES_THAT_TELL * TIMEOUT_S + 2 * AGAIN_S)
        if one.down:
            return "down"
        return "answers" if one.answered_us is not None and one.answered_us >= now_us - FRESH_S * SECOND_US else ""

    async def run(self) -> None:
        """Until cancelled. Raises JournalUnavailable: what is known is stored after the restart."""
        while True:
            self.heartbeat.does("looks for gateways", STORE_LONGEST_S)
            now_us = self.clock.monotonic_us()
            for one in list(self._watched.values()):
                if one.look is not None and one.look.done():
                    # A fault of the look itself is the supervisor's.
                    one.look.result()
                if one.due_us <= now_us:
                    self._looks(one)
            await self._store()
            self.heartbeat.succeeded()
            self.heartbeat.rests(LOOK_EVERY_S)
            await self.clock.sleep(LOOK_EVERY_S)

    async def close(self) -> None:
        looks = [one.look for one in self._watched.values() if one.look is not None]
        for look in looks:
            look.cancel()
        await asyncio.gather(*looks, return_exceptions=True)

    def down(self) -> list[str]:
        """Names of those whose check failed twice in a row."""
        return [name for name, one in self._watched.items() if one.down]

    def telemetry(self) -> Mapping[str, GatewayTelemetry]:
        return {name: GatewayTelemetry(one.up, one.changed_us) for name, one in self._watched.items()}

    def _is(self, one: _Watched, *, up: bool) -> None:
        if one.up is not up:
            one.up, one.changed_us = up, self.clock.now_us()

    def _looks(self, one: _Watched) -> asyncio.Task[None]:
        """The look under way, or a new one: never two at one gateway."""
        if one.look is None or one.look.done():
            one.due_us = self._due_us(1.0 + JITTER * (2.0 * self.entropy.jitter() - 1.0))
            one.look = asyncio.create_task(self._look(one), name=f"gateway {one.check.gateway}")
        return one.look

    async def _look(self, one: _Watched) -> None:
        while True:
            async with self._room:
                why = await self.probe.why_not(one.check, TIMEOUT_S)
            if not why:
                one.failures, one.why, one.answered_us = 0, "", self.clock.monotonic_us()
                self._is(one, up=True)
                return
            one.failures, one.why = one.failures + 1, why
            if one.down:
                self._is(one, up=False)
                one.due_us = min(one.due_us, self.clock.monotonic_us() + int(WHILE_DOWN_S * SECOND_US))
                return
            await self.clock.sleep(AGAIN_S)

    def _due_us(self, share: float) -> int:
        return self.clock.monotonic_us() + int(share * self.every_s * SECOND_US)

    async def _store(self) -> None:
        """What is otherwise than the journal has it."""
        for one in list(self._watched.values()):
            if one.down and one.told == "up":
                await self._tell(one, "down")
            elif one.told == "down" and not one.failures and one.answered_us is not None:
                await self._tell(one, "up")
        for name, one in list(self._forgotten.items()):
            await self._tell(one, "up")
            del self._forgotten[name]

    async def _tell(self, one: _Watched, state: GatewayState) -> None:
        at_us, name = self.clock.now_us(), one.check.gateway
        origin = Origin(JOURNAL_SOURCE, f"gateway-{state}-{at_us:017d}-{name}", at_us, at_us)
        label = one.check.label if one.check.host else "no check any more"
        fact = GatewayChecked(origin, name, state, label, one.why if state == "down" else "")
        await self.store.append(fact)
        one.told = state
        self.accept(fact)
