"""A decision on a finding: submitted, and waited for until its rows show it."""

from __future__ import annotations

import asyncio
from typing import Final

from pagereeve.app.deciding.keys import Done, Keys, digest_of
from pagereeve.app.deciding.submitting import Submitting, envelope_from
from pagereeve.app.decisions import DecisionRequest
from pagereeve.console.api.deciding.answers import FindingDecided
from pagereeve.console.api.deciding.bodies import Book, Close, Explain, OnFinding
from pagereeve.console.api.problems import ApiProblem
from pagereeve.domain.credentials.callers import Caller
from pagereeve.ports.clock import Clock
from pagereeve.ports.reads import Reads
from pagereeve.queries.decisions import DecisionsShown, decisions_on, is_followed

SHOWN_S: Final = 10.0
EVERY_S: Final = 0.05


class FindingDecisions:
    def __init__(self, reads: Reads, submitting: Submitting, clock: Clock, shown_s: float = SHOWN_S) -> None:
        self._reads = reads
        self._submitting = submitting
        self._clock = clock
        self._shown_s = shown_s
        self._keys = Keys()
        self._turn = asyncio.Lock()

    async def decide(self, name: str, said: OnFinding, caller: Caller, key: str) -> FindingDecided:
        digest = digest_of(name, said)
        async with self._turn:  # of two with one key the second finds the first
            done = self._keys.done(caller.name, key, digest)
            before = done.before if done else await decisions_on(self._reads, name)
            is_new = False
            if done is None:
                if before.count is None:
                    raise ApiProblem("not-found", "finding", f"{name[:40]!r} is no finding; /v1/findings lists them")
                envelope = envelope_from(_request(name, said).envelope(self._clock.now_us()), key)
                is_new = await self._submitting.submit(envelope, caller)
                if not is_new:  # from before the daemon's start: its rows count it
                    before = DecisionsShown(max(0, before.count - 1), before.releases)
                done = Done(digest, (envelope.id,), before)
                self._keys.keep(caller.name, key, done)
        at = said.at if isinstance(said, Book) else ""
        shown = await self._until_shown(name, before, at)
        now = await self._reads.finding(name)
        return FindingDecided(
            decision=done.decisions[0],
            finding=name,
            action=said.action,
            state=None if now is None else now.state,
            repeated=not is_new,
            shown=shown,
        )

    async def _until_shown(self, name: str, before: DecisionsShown, at: str) -> bool:
        try:
            async with asyncio.timeout(self._shown_s):
                while True:
                    if await is_followed(self._reads, name, before, at):
                        return True
                    await asyncio.sleep(EVERY_S)
        except TimeoutError:
            return False


def _request(name: str, said: OnFinding) -> DecisionRequest:
    reason = (said.reason or "") if isinstance(said, Explain | Close) else ""
    return DecisionRequest(name, said.action, reason, said.text, said.at if isinstance(said, Book) else "")
