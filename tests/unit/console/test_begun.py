"""A page that takes long: its frame comes first, and the answer behind it in the same response."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from types import ModuleType
from typing import Any, Final

import pytest
from structlog.testing import capture_logs

from pagereeve.console.api.asker import headers_of
from pagereeve.console.api.context import ApiContext
from pagereeve.console.api.problems import ApiProblem
from pagereeve.console.api.site import AskedSite
from pagereeve.console.api.turns import AT_ONCE, Turns
from pagereeve.console.application import make_console
from pagereeve.console.pages import begun, finding, findings, period, printer, release, what_if
from pagereeve.console.pages.shell import HEADERS
from pagereeve.domain.credentials.callers import Caller
from pagereeve.domain.facts.facts import PlateauRead
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.queries.dearest import dearest_of
from pagereeve.queries.totals import totals_of
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import ACCOUNTING, READER
from tests.closed_month import MONTH, december
from tests.histories import journal_of
from tests.journal_samples import NOON_US
from tests.unit.console.test_what_if_page import weighed
from tests.unit.domain.story import PRINTER
from tests.unit.domain.story import finding as found_in

PATIENCE_S = 10.0
WORKING = "Being worked out since"


@dataclass
class Answer:
    """What came so far."""

    status: int = 0
    headers: dict[str, str] = field(default_factory=dict)
    parts: list[str] = field(default_factory=list)
    came: asyncio.Event = field(default_factory=asyncio.Event)
    left: asyncio.Event = field(default_factory=asyncio.Event)
    whole: bool = False

    @property
    def text(self) -> str:
        return "".join(self.parts)

    async def send(self, message: Any) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            self.headers = {name.decode(): value.decode() for name, value in message["headers"]}
            return
        if message.get("body"):
            self.parts.append(message["body"].decode())
            self.came.set()
        self.whole = not message.get("more_body", False)

    async def receive(self) -> Any:
        await self.left.wait()
        return {"type": "http.disconnect"}


Asks = Callable[..., tuple[Answer, asyncio.Task[None]]]


@asynccontextmanager
async def console(reads: MemoryJournal, turns: Turns | None = None) -> AsyncIterator[Asks]:
    context = ApiContext(reads, AskedSite(), lambda: NOON_US, turns=turns or Turns())
    app = make_console(context)
    tasks: list[asyncio.Task[None]] = []

    def asked(path: str, caller: Caller = READER, **headers: str) -> tuple[Answer, asyncio.Task[None]]:
        answer, [at, _, query] = Answer(), path.partition("?")
        told = [
            *headers_of(caller),
            *((name.replace("_", "-").encode(), one.encode()) for name, one in headers.items()),
        ]
        scope: dict[str, Any] = {
            "type": "http",
            "method": "GET",
            "path": at,
            "raw_path": at.encode(),
            "query_string": query.encode(),
        }
        scope |= {"headers": told, "asgi": {"spec_version": "2.3"}, "scheme": "http", "server": ("query", 80)}
        tasks.append(asyncio.create_task(app(scope, answer.receive, answer.send)))
        return answer, tasks[-1]

    async with asyncio.timeout(PATIENCE_S):
        yield asked
    for one in tasks:
        one.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)


@dataclass
class Slow:
    """In the place of a question: answers when it is let."""

    answer: Callable[..., Awaitable[Any]]
    let: asyncio.Event = field(default_factory=asyncio.Event)
    error: Exception | None = None
    ended: list[BaseException] = field(default_factory=list)

    async def __call__(self, *args: Any) -> Any:
        try:
            await self.let.wait()
        except BaseException as error:
            self.ended.append(error)
            raise
        if self.error is not None:
            raise self.error
        return await self.answer(*args)


@pytest.fixture
def slow(monkeypatch: pytest.MonkeyPatch) -> Slow:
    one = Slow(dearest_of)
    monkeypatch.setattr(findings, "dearest_of", one)
    return one


async def test_the_frame_is_there_while_the_answer_is_worked_out(slow: Slow) -> None:
    async with console(await december()) as asked:
        answer, task = asked("/findings")
        await answer.came.wait()
        assert (answer.status, answer.whole, len(answer.parts)) == (200, False, 1)
        for text in ("<title>Findings", "<nav ", 'aria-current="page">Findings', "<h1>Where do pages", WORKING):
            assert text in answer.text
        assert "</main>" not in answer.text
        assert "last time" not in answer.text
        slow.let.set()
        await task
        quick, task = asked("/findings")
        await task
    assert answer.whole
    assert "content-length" not in answer.headers
    frame, rest = answer.text.split('<p class="working"')
    rest = rest.partition("</p>\n")[2].replace('<span class="answered" hidden></span>\n', "")
    assert frame + rest == quick.text
    assert answer.headers.items() > {name: quick.headers[name] for name in HEADERS if name in quick.headers}.items()


async def test_a_quick_page_is_one_response_as_ever(slow: Slow) -> None:
    slow.let.set()
    async with console(await december()) as asked:
        answer, task = asked("/findings")
        await task
    assert len(answer.parts) == 1
    assert int(answer.headers["content-length"]) == len(answer.text.encode())
    assert WORKING not in answer.text
    assert "answered" not in answer.text


async def test_what_took_long_is_not_waited_for_the_next_time(slow: Slow) -> None:
    async with console(await december()) as asked:
        answer, task = asked("/findings")
        await answer.came.wait()
        await asyncio.sleep(begun.LONG_S)
        slow.let.set()
        await task
        slow.let.clear()
        again, task = asked("/findings")
        await again.came.wait()
        slow.let.set()
        await task
    assert "; last time it took 0." in again.parts[0]


@pytest.mark.parametrize(
    ("path", "caller", "status"),
    [
        (f"/accounts/{MONTH}?by=person", READER, 403),
        (f"/accounts/{MONTH}?by=nothing", READER, 400),
        ("/accounts/nowhere", READER, 404),
        ("/findings?period=nowhere", READER, 400),
        ("/releases?person=anise", READER, 403),
        (f"/accounts/{MONTH}/person/anise", READER, 403),
        (f"/accounts/{MONTH}/printer/nobody", ACCOUNTING, 404),
        ("/accounts/nowhere/sums", READER, 404),
        ("/accounts/nowhere/losses", READER, 404),
        ("/accounts/nowhere/closing", READER, 404),
    ],
)
async def test_what_is_refused_has_its_status_however_long_that_takes(
    monkeypatch: pytest.MonkeyPatch, path: str, caller: Caller, status: int
) -> None:
    kept = await december()
    closed_periods = kept.closed_periods

    async def late() -> Any:
        await asyncio.sleep(begun.QUICK_S * 3)
        return await closed_periods()

    monkeypatch.setattr(kept, "closed_periods", late)
    async with console(kept) as asked:
        answer, task = asked(path, caller)
        await task
    assert (answer.status, len(answer.parts)) == (status, 1)
    assert WORKING not in answer.text


@asynccontextmanager
async def all_taken(turns: Turns) -> AsyncIterator[None]:
    """As many questions as may be are under way, and none comes to its end."""
    async with AsyncExitStack() as held:
        for _ in range(AT_ONCE):
            await held.enter_async_context(turns.turn())
        yield


@pytest.mark.parametrize("path", [f"/accounts/{MONTH}", f"/accounts/{MONTH}/losses", f"/accounts/{MONTH}/decisions"])
async def test_the_frame_is_sent_before_the_answer_has_its_turn(path: str) -> None:
    turns = Turns()
    async with console(await december(), turns) as asked:
        async with all_taken(turns):
            answer, task = asked(path)
            await answer.came.wait()
            assert (answer.status, answer.whole, WORKING in answer.text) == (200, False, True)
            refused, other = asked(path.replace(MONTH, "nowhere"))
            await other
            assert (refused.status, len(refused.parts)) == (404, 1)
        await task
    assert (answer.whole, len(answer.parts)) == (True, 2)


async def test_where_too_many_wait_no_frame_is_sent() -> None:
    turns = Turns(waiting_max=1)
    async with console(await december(), turns) as asked, all_taken(turns):
        first, _ = asked(f"/accounts/{MONTH}")
        await first.came.wait()
        answer, task = asked(f"/accounts/{MONTH}")
        await task
    assert (answer.status, len(answer.parts)) == (503, 1)


NOWHERE: Final = "of-nobody"


@pytest.mark.parametrize(
    ("module", "question", "path", "heading"),
    [
        (printer, "life_of", "/printers/{printer}", "<h1>{printer}</h1>"),
        (release, "explained", "/releases/{release}", "<h1>Release {release}</h1>"),
        (finding, "finding_standing", "/findings/{finding}", "<h1>"),
        (what_if, "tried", "/findings/{finding}/what-if?set=large-media-twice", "<h1>What if <code>"),
    ],
)
async def test_a_page_of_one_thing_has_its_frame_once_it_is_known_to_be_there(
    monkeypatch: pytest.MonkeyPatch, module: ModuleType, question: str, path: str, heading: str
) -> None:
    story = weighed(4)
    assert isinstance(story.current, PlateauRead)
    kept = await journal_of(story.facts, story.current)
    names = {"printer": PRINTER, "release": "r1", "finding": found_in(story.ledger(), "surplus").id}
    one = Slow(getattr(module, question))
    monkeypatch.setattr(module, question, one)
    async with console(kept) as asked:
        answer, task = asked(path.format(**names))
        await answer.came.wait()
        assert (answer.status, answer.whole, WORKING in answer.text) == (200, False, True)
        assert heading.format(**names) in answer.text
        one.let.set()
        await task
        missing, task = asked(path.format(**dict.fromkeys(names, NOWHERE)))
        await task
    assert answer.whole
    assert answer.text.count("<h1") == 1
    assert answer.text.rstrip().endswith("</html>")
    assert (missing.status, len(missing.parts)) == (404, 1)


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (ApiProblem("too-slow", "question", "took longer than 30 s"), "took longer than 30 s"),
        (BadQuestion("--period", "holds too much"), "<code>period</code>: holds too much"),
        (JournalUnavailable("journal /a/place can't be read", "closed"), "The journal can&#39;t be read now"),
        (RuntimeError("a secret"), "the log says why"),
    ],
)
async def test_what_goes_wrong_behind_the_frame_is_told_in_the_page(slow: Slow, error: Exception, says: str) -> None:
    slow.error = error
    async with console(await december()) as asked:
        with capture_logs() as logs:
            answer, task = asked("/findings")
            await answer.came.wait()
            slow.let.set()
            await task
    assert says.replace("&#39;", "'") in answer.text.replace("&#39;", "'")
    assert 'role="alert"' in answer.text
    assert answer.text.rstrip().endswith("</html>")
    assert "secret" not in answer.text
    assert "/a/place" not in answer.text
    [told] = [one for one in logs if one["log_level"] == "warning"]
    assert (told["route"], told["so_far"]) == ("/findings", 1)
    assert any(one["log_level"] == "error" for one in logs) is isinstance(error, RuntimeError)


async def test_the_time_that_a_question_may_take_holds_and_the_page_says_what_to_do(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    one = Slow(totals_of)
    monkeypatch.setattr(period, "totals_of", one)
    async with console(await december(), Turns(question_s=begun.QUICK_S * 4)) as asked:
        answer, task = asked(f"/accounts/{MONTH}")
        await task
    assert (answer.status, len(answer.parts), len(one.ended)) == (200, 2, 1)
    assert "ask for a shorter period" in answer.parts[1]
    assert f"pagereeve totals --period {MONTH} --by cost-centre" in answer.parts[1]


async def test_who_goes_away_ends_the_work(slow: Slow) -> None:
    async with console(await december()) as asked:
        answer, task = asked("/findings")
        await answer.came.wait()
        answer.left.set()
        await task
    assert isinstance(slow.ended[0], asyncio.CancelledError)


async def test_a_part_that_a_script_loads_has_no_frame_but_its_status(slow: Slow) -> None:
    slow.error = ApiProblem("too-slow", "question", "took longer than 30 s")
    async with console(await december()) as asked:
        answer, task = asked("/findings", hx_request="true")
        await asyncio.sleep(begun.QUICK_S * 3)
        slow.let.set()
        await task
    assert (answer.status, len(answer.parts)) == (503, 1)
    assert WORKING not in answer.text
