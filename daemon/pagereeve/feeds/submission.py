"""From envelopes to the intake, one or many, and from what it says to a result that a sender understands."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from pagereeve.domain.credentials.callers import Caller
from pagereeve.domain.values.errors import BadFact
from pagereeve.feeds.authorization import authorized
from pagereeve.feeds.masking import masked_text
from pagereeve.feeds.refusals import HTTP_REASONS, KEEP_ASIDE_S, BadItem, Refusal, problem_of, refusal_of
from pagereeve.feeds.stats import FeedStats
from pagereeve.ports.intake import Accepted, Envelope, Intake, RefusedInput
from pagereeve.ports.journal import HINDRANCES, JournalUnavailable


@dataclass(frozen=True, slots=True)
class Submission:
    """What became of one event: the intake's answer, or why it was refused. ``fault`` is an error of our own."""

    accepted: Accepted | None = None
    refusal: Refusal | None = None
    fault: Exception | None = None

    @property
    def status(self) -> int:
        return HTTP_REASONS[self.refusal.reason][0] if self.refusal else 200

    def members(self) -> dict[str, Any]:
        """The result as JSON, for success: outcome, and detail, reading, rest and remarks where there are any."""
        if self.accepted is None:
            return {}
        members: dict[str, Any] = {
            "outcome": self.accepted.outcome,
            "detail": self.accepted.detail,
            "reading": self.accepted.reading,
            "rest": self.accepted.rest,
            "remarks": [{"where": one.where, "detail": one.text} for one in self.accepted.remarks],
        }
        return {name: value for name, value in members.items() if value}


class Submitter:
    """Submits events, each within ``answer_s`` (and the wait asked for), ``at_once`` of a batch at a time."""

    def __init__(self, intake: Intake, feed: str, stats: FeedStats, *, answer_s: float, at_once: int) -> None:
        self._intake = intake
        self._feed = feed
        self._stats = stats
        self._answer_s = answer_s
        self._at_once = at_once

    async def take(self, envelope: Envelope, wait_s: float | None, caller: Caller, *, rest: bool = False) -> Submission:
        """Never raises for what the intake does: a fault of ours comes back, to be raised once it is answered.

        What ``caller`` may not send is refused, and facts have it as their author.
        """
        try:
            sent = authorized(envelope, caller)
        except Refusal as refusal:
            return await self.refuse(refusal.let_go(), None)
        taken = await self._take(sent, wait_s, rest=rest)
        if taken.accepted is not None:
            self._stats.events[taken.accepted.outcome] += 1
        elif taken.refusal is not None:
            self._stats.refused[taken.refusal.reason] += 1
        return taken

    async def _take(self, envelope: Envelope, wait_s: float | None, *, rest: bool) -> Submission:
        try:
            async with asyncio.timeout(self._answer_s + (wait_s or 0)):
                accepted = await self._intake.take(envelope, feed=self._feed, wait_s=wait_s, rest=rest)
        except BadFact as bad:
            return Submission(refusal=refusal_of(bad))
        except JournalUnavailable as error:
            why = f"nothing was stored: {HINDRANCES[error.hindrance]}; send it again later"
            return Submission(refusal=Refusal("journal-unavailable", "event", why, error.hindrance))
        except TimeoutError:
            again = "not known to be stored; send it again, a second copy changes nothing"
            return Submission(refusal=Refusal("journal-unavailable", "event", again))
        except Exception as fault:  # noqa: BLE001 - the sender is answered first; the endpoint then raises it
            again = "failed through no fault of the sender; send it again later"
            return Submission(refusal=Refusal("internal", "event", again), fault=fault)
        if accepted.outcome == "conflict":
            kept = accepted.detail or "its id was used before; the first copy counts, this one is set aside"
            return Submission(accepted, Refusal("conflict", "id", kept))
        return Submission(accepted)

    async def take_all(
        self, items: Sequence[Envelope | BadItem], wait_s: float | None, caller: Caller
    ) -> list[Submission]:
        """In the order of ``items``, whatever order they end in."""
        results: list[Submission] = [Submission()] * len(items)
        waiting = iter(enumerate(items))
        async with asyncio.TaskGroup() as group:
            for _ in range(min(self._at_once, len(items))):
                group.create_task(self._work(waiting, results, wait_s, caller))
        return results

    async def _work(
        self,
        waiting: Iterator[tuple[int, Envelope | BadItem]],
        results: list[Submission],
        wait_s: float | None,
        caller: Caller,
    ) -> None:
        for index, item in waiting:
            if isinstance(item, BadItem):
                results[index] = await self.refuse(item.refusal, _head(item.item))
            else:
                results[index] = await self.take(item, wait_s, caller)

    async def refuse(self, refusal: Refusal, sample: bytes | None) -> Submission:
        """Count what could not be read, and have it kept aside where there is a sample of it."""
        self._stats.refused[refusal.reason] += 1
        if sample is None:
            return Submission(refusal=refusal)
        try:
            async with asyncio.timeout(KEEP_ASIDE_S):
                await self._intake.refused(RefusedInput(self._feed, refusal.reason, refusal.where, masked_text(sample)))
        except (JournalUnavailable, TimeoutError):
            self._stats.unkept += 1  # the sender still receives what is wrong with it
        except Exception as fault:  # noqa: BLE001 - as in take: answered first, raised by the endpoint
            self._stats.unkept += 1
            return Submission(refusal=refusal, fault=fault)
        return Submission(refusal=refusal)


def _head(item: Any) -> bytes:
    return json.dumps(item).encode()


def item_result(item: Envelope | BadItem, taken: Submission) -> dict[str, Any]:
    """One entry of a batch's results."""
    result = {"id": item.id, "source": item.source, "status": taken.status, **taken.members()}
    if taken.refusal is not None:
        result["problem"] = problem_of(taken.refusal)
    return result
