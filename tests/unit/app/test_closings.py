"""Periods that the daemon closes: one at a time, whoever waits, and each asked for again is the same one."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field, replace
from typing import Final

import pytest

from pagereeve.app.closing import ClosingRequest
from pagereeve.app.closings import Closings, OtherUnderWay
from pagereeve.app.deciding.on_periods import PeriodDecisions
from pagereeve.console.api.closing_told import ClosingTold
from pagereeve.console.api.deciding.bodies import ClosePeriod
from pagereeve.console.api.problems import ApiProblem
from pagereeve.console.api.site import AskedSite
from pagereeve.domain.credentials.callers import Caller
from pagereeve.feeds.refusals import Refusal
from pagereeve.ports.closing import ClosedPeriod, Closing, Hindered, NotClosed
from pagereeve.ports.journal import JournalUnavailable
from tests.closed_month import MONTH, close_december, december
from tests.closings import closings_in
from tests.journal_samples import NOON_US

SITE: Final = AskedSite()
DECEMBER: Final = ClosingRequest(SITE.chosen(MONTH), "a jam")
JANUARY: Final = ClosingRequest(SITE.chosen("2026-01"))
BURSAR: Final = Caller("bursar", frozenset({"read", "names", "decide"}))


@dataclass
class Slow:
    """Closes when it is let."""

    fails: Exception | None = None
    let: asyncio.Event = field(default_factory=asyncio.Event)
    asked: list[tuple[str, str, str]] = field(default_factory=list)

    async def __call__(self, said: ClosingRequest, by: str) -> ClosedPeriod:
        self.asked.append((said.period.name, said.despite, by))
        await self.let.wait()
        if self.fails is not None:
            raise self.fails
        one = said.period
        closing = Closing(one.name, "UTC", "2026a", one.from_us, one.to_us, 1, by, said.despite, "j", 1, "ab", 7)
        return ClosedPeriod(closing, 3, "cd")


def closings_by(slow: Slow) -> Closings:
    return Closings(slow, lambda: NOON_US, SITE.chosen)


def state_of(closings: Closings) -> ClosingTold | None:
    return closings.state


async def test_two_that_ask_for_one_period_wait_for_the_same_close_and_another_one_is_told_to_come_later() -> None:
    slow = Slow()
    closings = closings_by(slow)
    waiting = [asyncio.create_task(closings.close(DECEMBER, who)) for who in ("mara", "bursar")]
    await asyncio.sleep(0)
    assert closings.state is not None
    assert (closings.state.period, closings.state.since_us, closings.state.problem) == (MONTH, NOON_US, "")
    with pytest.raises(OtherUnderWay, match=f"{MONTH} is being closed"):
        closings.begin(JANUARY, "mara")
    waiting[0].cancel()  # who gives up waiting ends nothing
    slow.let.set()
    assert (await waiting[1]).closing.by == "mara"
    assert slow.asked == [(MONTH, "a jam", "mara")]
    assert state_of(closings) is None


@pytest.mark.parametrize(
    ("error", "problem"),
    [
        (NotClosed("it is not over"), "it is not over"),
        (
            Hindered("as a command says it", ("1 finding is open", "1 meter gave no count")),
            "1 finding is open; 1 meter",
        ),
        (JournalUnavailable("the disk is full"), "the disk is full"),
        (RuntimeError("x"), "a fault of ours"),
    ],
)
async def test_what_was_not_closed_is_known_until_the_next_one_is_asked_for(error: Exception, problem: str) -> None:
    slow = Slow(error)
    closings = closings_by(slow)
    slow.let.set()
    with pytest.raises(type(error)):
        await closings.close(DECEMBER, "mara")
    assert closings.state is not None
    assert (closings.state.period, problem in closings.state.problem) == (MONTH, True)
    slow.fails = None
    await closings.close(JANUARY, "mara")
    assert closings.state is None


async def test_what_is_under_way_ends_with_the_daemon() -> None:
    closings = closings_by(Slow())
    task = closings.begin(DECEMBER, "mara")
    await asyncio.sleep(0)
    await closings.stop()
    assert task.cancelled()
    assert closings.state is not None
    assert closings.state.problem == "the daemon stopped meanwhile"


async def test_a_period_is_closed_once_and_asked_for_again_it_is_answered_as_it_is() -> None:
    kept = await december()
    periods = PeriodDecisions(kept, closings_in(kept, lambda: NOON_US))
    with pytest.raises(ApiProblem, match="2025-12 is not closed, as something stands in the way: 1 finding") as caught:
        await periods.close(MONTH, ClosePeriod(), BURSAR, 5.0)
    assert (caught.value.kind, "--" in caught.value.problem) == ("not-possible", False)
    done = await periods.close(MONTH, ClosePeriod(despite="a jam"), BURSAR, 5.0)
    assert done.closed is not None
    assert (done.state, done.repeated, done.closed.by, done.closed.despite) == ("closed", False, "bursar", "a jam")
    nameless = replace(BURSAR, name="clerk", acts=frozenset({"decide"}))
    again = await periods.close(MONTH, ClosePeriod(despite="another reason"), nameless, 5.0)
    assert again.closed is not None
    assert (again.repeated, again.closed.by, again.closed.despite) == (True, None, None)
    assert again.closed.sha256 == done.closed.sha256
    assert len(await kept.closed_periods()) == 1
    with pytest.raises(ApiProblem) as caught:
        await periods.close("no-period", ClosePeriod(), BURSAR, 5.0)
    assert caught.value.kind == "not-found"


async def test_an_answer_does_not_wait_for_a_large_one_and_a_second_period_waits_for_its_turn() -> None:
    kept, slow = await december(), Slow()
    periods = PeriodDecisions(kept, closings_by(slow))
    told = await periods.close(MONTH, ClosePeriod(), BURSAR, 0.0)
    assert (told.state, told.closed) == ("under-way", None)
    with pytest.raises(ApiProblem) as caught:
        await periods.close("2026-01", ClosePeriod(), BURSAR, 0.0)
    assert caught.value.kind == "over-capacity"
    slow.let.set()
    assert (await periods.close(MONTH, ClosePeriod(), BURSAR, 5.0)).state == "closed"


@pytest.mark.parametrize(
    "limit",
    [
        {"acts": frozenset({"read"})},
        {"pages_max": 100},
        {"pages_day_max": 1_000},
        {"types": frozenset({"pagereeve.finding.decided.v1"})},
        {"sources": frozenset({"urn:pagereeve:decisions"})},
    ],
)
async def test_who_is_limited_in_what_it_decides_closes_nothing(limit: dict[str, object]) -> None:
    kept = await december()
    await close_december(kept)
    periods = PeriodDecisions(kept, closings_in(kept, lambda: NOON_US))
    with pytest.raises(Refusal, match="without a limit"):
        await periods.close(MONTH, ClosePeriod(), replace(BURSAR, **limit), 5.0)  # type: ignore[arg-type]
