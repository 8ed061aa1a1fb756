"""One answer for all who ask the same at once; never one that was begun before somebody asked, nor of other rights."""

from __future__ import annotations

import asyncio
import time
from dataclasses import dataclass, field
from typing import Any

import pytest

from pagereeve.console.api.problems import ApiProblem
from pagereeve.console.api.shared import KEYS_MAX, Shared
from pagereeve.console.pages import now
from pagereeve.queries.now import NowAnswer, now_of
from tests.asking import ACCOUNTING, READER, asking
from tests.closed_month import december

SPACED_S = 0.05


@dataclass
class Made:
    """Counts what is made, and holds it back until it is let."""

    let: asyncio.Event = field(default_factory=asyncio.Event)
    began: int = 0
    at_once: int = 0
    most: int = 0
    ended: list[BaseException] = field(default_factory=list)

    async def __call__(self) -> int:
        self.began += 1
        self.at_once += 1
        self.most = max(self.most, self.at_once)
        nth = self.began
        try:
            await self.let.wait()
        except asyncio.CancelledError as error:
            self.ended.append(error)
            raise
        finally:
            self.at_once -= 1
        return nth


async def asked(shared: Shared, made: Made, key: str = "k", times: int = 1) -> list[asyncio.Task[int]]:
    tasks = [asyncio.create_task(shared.answer(key, made)) for _ in range(times)]
    for _ in range(5):
        await asyncio.sleep(0)
    return tasks


async def test_ten_who_ask_together_share_one_answer() -> None:
    made, shared = Made(), Shared(SPACED_S)
    made.let.set()
    assert await asyncio.gather(*await asked(shared, made, times=10)) == [1] * 10


async def test_who_comes_while_it_is_made_gets_the_next_one_and_one_is_made_at_a_time() -> None:
    made, shared = Made(), Shared(SPACED_S)
    first = await asked(shared, made, times=3)
    assert made.began == 1
    later = await asked(shared, made, times=7)
    await asyncio.sleep(2 * SPACED_S)
    assert made.began == 1, "the next waits for the one that is made"
    made.let.set()
    assert await asyncio.gather(*first, *later) == [1] * 3 + [2] * 7
    assert made.most == 1


async def test_rounds_are_spaced() -> None:
    made, shared = Made(), Shared(SPACED_S)
    made.let.set()
    began_s = time.monotonic()
    for nth in (1, 2, 3):
        assert await shared.answer("k", made) == nth
    assert time.monotonic() - began_s >= 2 * SPACED_S


async def test_other_rights_have_another_answer() -> None:
    hidden, named, shared = Made(), Made(), Shared(SPACED_S)
    tasks = await asked(shared, hidden, "hidden") + await asked(shared, named, "named")
    assert (hidden.began, named.began) == (1, 1)
    hidden.let.set()
    named.let.set()
    await asyncio.gather(*tasks)


async def test_who_goes_away_ends_it_only_where_nobody_is_left() -> None:
    made, shared = Made(), Shared(SPACED_S)
    one, other = await asked(shared, made, times=2)
    one.cancel()
    await asyncio.gather(one, return_exceptions=True)
    assert made.ended == []
    other.cancel()
    await asyncio.gather(other, return_exceptions=True)
    assert len(made.ended) == 1
    made.let.set()
    assert await shared.answer("k", made) == 2


async def test_a_failure_is_told_to_all_who_share_it_and_the_next_is_made_anew() -> None:
    shared = Shared(SPACED_S)

    async def fails() -> int:
        raise ApiProblem("too-slow", "question", "took longer than 30 s")

    failed = await asyncio.gather(*(shared.answer("k", fails) for _ in range(3)), return_exceptions=True)
    assert [type(one) for one in failed] == [ApiProblem] * 3
    made = Made()
    made.let.set()
    assert await shared.answer("k", made) == 1


async def test_it_is_bounded() -> None:
    made, shared = Made(), Shared(SPACED_S, wait_s=0.2, waiting_max=3)
    tasks = await asked(shared, made, times=3)
    with pytest.raises(ApiProblem, match="3 others wait"):
        await shared.answer("k", made)
    for one in await asyncio.gather(*tasks, return_exceptions=True):
        assert isinstance(one, ApiProblem)
        assert one.kind == "too-slow"
    made.let.set()
    await asyncio.gather(*(Shared(SPACED_S).answer("k", made) for _ in range(3)))
    keys = Shared(60.0)
    for nth in range(KEYS_MAX):
        await keys.answer(nth, made)
    with pytest.raises(ApiProblem, match="others wait"):
        await keys.answer("one more", made)


async def test_the_first_page_is_worked_out_once_for_ten_screens(monkeypatch: pytest.MonkeyPatch) -> None:
    worked: list[object] = []

    async def counted(*args: Any) -> NowAnswer:
        worked.append(args)
        return await now_of(*args)

    monkeypatch.setattr(now, "now_of", counted)
    async with asking(await december(), READER) as client:
        answers = await asyncio.gather(*(client.get("/now/figures") for _ in range(10)))
        assert {one.status_code for one in answers} == {200}
        assert len({one.text for one in answers}) == 1
        assert len(worked) <= 2
    worked.clear()
    async with asking(await december(), READER) as client:
        named = {"pagereeve-acts": ACCOUNTING.acts_text}
        await asyncio.gather(client.get("/now/figures"), client.get("/now/figures", headers=named))
    assert len(worked) == 2
