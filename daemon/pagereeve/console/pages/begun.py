"""A page that takes long: its frame goes out, and its answer follows in the same response.

A handler that has found what is asked to be in order, and who asks to be allowed to, says what the frame shows
(``Begun.shows``): from then on it may go out. Before that all is refused with the status that is due. No script has a
part in it: the style sheet hides the line that says that it is being worked out, once the answer stands behind it.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator, Callable, Coroutine, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Final
from zoneinfo import ZoneInfo

import structlog
from fastapi import Depends, Request
from fastapi.routing import APIRoute
from starlette.responses import Response, StreamingResponse
from starlette.types import Receive, Scope, Send

from pagereeve.console.api.asker import Asker
from pagereeve.console.api.problems import KINDS, ApiProblem, fault, problem_of
from pagereeve.console.pages.shell import CUT, HEADERS, ShownPage, cut_page, page
from pagereeve.domain.values.bad_question import BadQuestion
from pagereeve.ports.closing import NotClosed
from pagereeve.ports.journal import JournalUnavailable

QUICK_S: Final = 0.05
"""What is made within it is one response, as ever."""
LONG_S: Final = 0.2
"""What took so long the last time is not waited for: its frame goes out at once."""
UNREAD_S: Final = 30.0
ROUTES_MAX: Final = 100
# Sent by the script that loads a part of a page: there the page around it is shown already.
PART_HEADER: Final = "hx-request"
_BEGUN: Final = "pagereeve.begun"
_ANSWERED: Final = '<span class="answered" hidden></span>\n</main>'

log = structlog.get_logger("pagereeve.console")


@dataclass(slots=True)
class PageTimes:
    """How long each kind of page took the last time, and how many ended without an answer."""

    last_s: dict[str, float] = field(default_factory=dict)
    unfinished: int = 0

    def note(self, path: str, took_s: float) -> None:
        if path in self.last_s or len(self.last_s) < ROUTES_MAX:
            self.last_s[path] = took_s


@dataclass(frozen=True, slots=True)
class _Frame:
    template: str
    asker: Asker
    zone: ZoneInfo
    here: str
    command: str
    values: Mapping[str, Any]


class Begun:
    """One page that may be long."""

    def __init__(self) -> None:
        self._may_show = asyncio.Event()
        self._frame: _Frame | None = None

    def shows(
        self, template: str, asker: Asker, zone: ZoneInfo, here: str, *, now_us: int, command: str = "", **values: Any
    ) -> None:
        """What is asked can be answered, and who asks may see it. ``values`` are those of title and heading;
        ``command`` gives the same without a limit of time.
        """
        self._frame = _Frame(template, asker, zone, here, command, {"now_us": now_us, **values})
        self._may_show.set()

    def page(self, **values: Any) -> ShownPage:
        one = self._shown()
        return page(one.template, one.asker, one.zone, one.here, **one.values, **values)

    async def may_show(self) -> None:
        await self._may_show.wait()

    def frame(self, last_s: float | None) -> str:
        """What is sent at once."""
        one = self._shown()
        told = {**one.values, "begun_as": one.template, "last_s": last_s}
        begins, line = cut_page("begun.html", one.asker, one.zone, one.here, **told)
        return begins + line.partition(CUT)[0]

    def unfinished(self, problem: ApiProblem) -> str:
        one, title = self._shown(), KINDS[problem.kind][1]
        told = {"problem": problem, "title": title, "command": one.command}
        return cut_page("unfinished.html", one.asker, one.zone, one.here, **told)[1]

    def _shown(self) -> _Frame:
        if self._frame is None:
            raise RuntimeError("a page is made before its frame is known")
        return self._frame


def _begun(request: Request) -> Begun:
    begun: Begun = request.scope.setdefault(_BEGUN, Begun())
    return begun


Beginning = Annotated[Begun, Depends(_begun)]
"""For the handler of a page that may be long; its router has the ``route_class`` BegunRoute."""


class BegunRoute(APIRoute):
    """Answers as any route does, but for a page that is not made within QUICK_S and whose frame may be shown."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        handle, path = super().get_route_handler(), self.path

        async def begun(request: Request) -> Response:
            times, shown = page_times(request), _begun(request)
            making = asyncio.create_task(_timed(handle(request), times, path), name="page is made")
            try:
                if PART_HEADER in request.headers or await _is_quick(making, shown, times.last_s.get(path)):
                    return await making
            except BaseException:
                making.cancel()
                raise
            return BegunPage(shown, making, times, path)

        return begun


def page_times(request: Request) -> PageTimes:
    state = request.app.state
    if not hasattr(state, "page_times"):
        state.page_times = PageTimes()
    times: PageTimes = state.page_times
    return times


async def _timed(answer: Coroutine[Any, Any, Response], times: PageTimes, path: str) -> Response:
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    made = await answer
    times.note(path, loop.time() - began_s)
    return made


async def _is_quick(making: asyncio.Task[Response], shown: Begun, last_s: float | None) -> bool:
    """It is made, or failed, before its frame is due; until the frame may be shown there is no hurry."""
    loop = asyncio.get_running_loop()
    due_s = loop.time() + (0.0 if last_s is not None and last_s > LONG_S else QUICK_S)
    may_show = asyncio.create_task(shown.may_show())
    try:
        await asyncio.wait({making, may_show}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        may_show.cancel()
    if not making.done():
        await asyncio.wait({making}, timeout=max(0.0, due_s - loop.time()))
    return making.done()


class BegunPage(StreamingResponse):
    """Who goes away ends the work on it, and so does who takes nothing for UNREAD_S."""

    def __init__(self, shown: Begun, making: asyncio.Task[Response], times: PageTimes, path: str) -> None:
        self._making, self._times, self._path = making, times, path
        self._chunks = self._parts(shown)
        # A proxy that would keep the frame back is asked not to (nginx.org, ngx_http_proxy_module, "proxy_buffering").
        super().__init__(self._chunks, media_type="text/html", headers={**HEADERS, "X-Accel-Buffering": "no"})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def in_time(message: Any) -> None:
            async with asyncio.timeout(UNREAD_S):
                await send(message)

        try:
            await super().__call__(scope, receive, in_time)
        except TimeoutError:
            return  # it left its answer unread: the connection ends
        finally:
            self._making.cancel()
            await asyncio.gather(self._making, return_exceptions=True)
            await self._chunks.aclose()

    async def _parts(self, shown: Begun) -> AsyncGenerator[bytes, None]:
        yield shown.frame(self._times.last_s.get(self._path)).encode()
        yield (await self._rest(shown)).replace("</main>", _ANSWERED, 1).encode(errors="backslashreplace")

    async def _rest(self, shown: Begun) -> str:
        try:
            return _shown_page(await self._making).rest
        except (ApiProblem, BadQuestion, JournalUnavailable, NotClosed) as error:
            problem = problem_of(error)
        except Exception:
            problem = fault()
            log.exception("a page failed through a fault of ours, its frame was sent", route=self._path)
        self._times.unfinished += 1
        log.warning(
            "a page has no answer behind its frame",
            route=self._path,
            kind=problem.kind,
            so_far=self._times.unfinished,
        )
        return shown.unfinished(problem)


def _shown_page(made: Response) -> ShownPage:
    if not isinstance(made, ShownPage):
        raise TypeError(f"{type(made).__name__} is no page that can follow a frame")
    return made
