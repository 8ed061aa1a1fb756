"""A page that takes long, in a real browser: its frame is there while its answer is worked out, without a script too.

The console runs in this process; the question is answered when the test lets it.
"""

from __future__ import annotations

import asyncio
import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

import pytest
import uvicorn
from playwright.sync_api import Browser, expect

from pagereeve.console.api.context import ApiContext
from pagereeve.console.api.problems import ApiProblem
from pagereeve.console.api.site import AskedSite
from pagereeve.console.application import make_console
from pagereeve.console.pages import period
from pagereeve.domain.values.address_step import one_step
from pagereeve.queries.totals import totals_of
from tests.acceptance.browsing import Seen, chromium, opened
from tests.closed_month import MONTH, december
from tests.journal_samples import NOON_US

WORKING: Final = "Being worked out since"
START_S: Final = 30.0
HELD_S: Final = 1.0
"""So long an answer is held back once its frame was seen."""


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


@dataclass
class Held:
    """In the place of a period's totals: they come, or fail, once they are let."""

    let: threading.Event = field(default_factory=threading.Event)
    error: Exception | None = None

    async def __call__(self, *args: Any) -> Any:
        while not self.let.is_set():  # noqa: ASYNC110 - the test is in another thread
            await asyncio.sleep(0.01)
        if self.error is not None:
            raise self.error
        return await totals_of(*args)


@pytest.fixture
def held(monkeypatch: pytest.MonkeyPatch) -> Iterator[Held]:
    one = Held()
    monkeypatch.setattr(period, "totals_of", one)
    yield one
    one.let.set()


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    listening = socket.create_server(("127.0.0.1", 0))
    servers: list[uvicorn.Server] = []

    async def serve() -> None:
        # Names of readers are hidden from who is not signed in: nobody is.
        app = make_console(ApiContext(await december(), AskedSite(), lambda: NOON_US))
        app.add_middleware(_MayRead)
        servers.append(uvicorn.Server(uvicorn.Config(app, lifespan="off", log_config=None)))
        await servers[0].serve([listening])

    thread = threading.Thread(target=lambda: asyncio.run(serve()), daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    finally:
        servers[0].should_exit = True
        thread.join(START_S)


class _MayRead:
    """As the daemon says it of a reader."""

    def __init__(self, app: Any) -> None:
        self._app = app

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "http":
            scope = {**scope, "headers": [*scope["headers"], (b"pagereeve-acts", b"read")]}
        await self._app(scope, receive, send)


def begin(seen: Seen, address: str) -> None:
    """Until the frame is shown."""
    seen.page.goto(f"{address}/accounts/{MONTH}", wait_until="commit")
    expect(seen.page.get_by_text(WORKING)).to_be_visible()


def test_the_frame_is_used_while_the_answer_is_worked_out(address: str, browser: Browser, held: Held) -> None:
    with opened(browser) as seen:
        begin(seen, address)
        page = seen.page
        expect(page.get_by_role("heading", level=1)).to_contain_text(MONTH)
        expect(page.get_by_role("status")).to_contain_text(WORKING)
        expect(page.get_by_role("heading", name="Does every page")).to_have_count(0)
        seen.checked()
        link = page.get_by_role("link", name="Printers")
        link.focus()
        time.sleep(HELD_S)
        held.let.set()
        expect(page.get_by_role("heading", name="Does every page")).to_be_visible()
        page.wait_for_load_state("load")
        expect(link).to_be_focused()
        expect(page.get_by_text(WORKING)).to_be_hidden()
        times = page.evaluate("performance.getEntriesByType('navigation')[0].toJSON()")
        assert times["responseEnd"] - times["responseStart"] >= HELD_S * 1e3
        seen.rests()
        seen.checked()
        seen.narrowed()
        assert seen.faults == []


def test_it_needs_no_script(address: str, browser: Browser, held: Held) -> None:
    with opened(browser, java_script_enabled=False) as seen:
        begin(seen, address)
        held.let.set()
        expect(seen.page.get_by_role("heading", name="Does every page")).to_be_visible()
        expect(seen.page.get_by_text(WORKING)).to_be_hidden()
        assert seen.faults == []


def test_an_answer_that_fails_is_told_in_the_page(address: str, browser: Browser, held: Held) -> None:
    held.error = ApiProblem("too-slow", "question", "took longer than 30 s; ask for a shorter period")
    with opened(browser) as seen:
        begin(seen, address)
        held.let.set()
        expect(seen.page.get_by_role("alert")).to_contain_text("ask for a shorter period")
        expect(seen.page.get_by_text(WORKING)).to_be_hidden()
        seen.page.wait_for_load_state("load")
        seen.checked()
        seen.narrowed()
        assert seen.faults == []


def test_who_goes_elsewhere_is_shown_that(address: str, browser: Browser, held: Held) -> None:
    with opened(browser) as seen:
        begin(seen, address)
        seen.page.get_by_role("link", name="Words").click()
        expect(seen.page.get_by_role("heading", name="What do the words mean?")).to_be_visible()
        assert not held.let.is_set()
        assert seen.faults == []


def test_a_wall_screen_shows_what_is_asked_beside_what_needs_somebody(address: str, browser: Browser) -> None:
    """Nobody scrolls it."""
    with opened(browser, viewport={"width": 2560, "height": 1440}) as seen:
        seen.go(f"{address}/now")
        boxes = {name: _box(seen, name) for name in ("q-pages", "q-work", "q-believe", "q-open")}
        assert boxes["q-pages"]["y"] < boxes["q-work"]["y"] == boxes["q-believe"]["y"] < boxes["q-open"]["y"]
        assert boxes["q-work"]["x"] + boxes["q-work"]["width"] <= boxes["q-believe"]["x"] == boxes["q-open"]["x"]
        seen.page.set_viewport_size({"width": 1280, "height": 900})
        assert _box(seen, "q-work")["x"] == _box(seen, "q-believe")["x"]
        seen.checked()
        seen.narrowed()
        assert seen.faults == []


def test_a_name_of_dots_has_a_page_that_a_browser_finds(address: str, browser: Browser) -> None:
    """It takes steps of dots out of an address before it sends it."""
    with opened(browser) as seen:
        for name in (".", ".."):
            step = one_step(name)
            seen.page.goto(f"{address}/printers")
            path = seen.page.evaluate("(step) => new URL('/printers/' + step, location.href).pathname", step)
            assert path == f"/printers/{step}"
            assert seen.go(f"{address}/printers/{step}") == 404
            expect(seen.page.get_by_text(f"'{name}' is known neither to the settings")).to_be_visible()


def _box(seen: Seen, heading: str) -> dict[str, float]:
    """Asked in one step: figures may be renewed between two."""
    section = f'section[aria-labelledby="{heading}"]'
    box: dict[str, float] = seen.page.evaluate(
        "(section) => document.querySelector(section).getBoundingClientRect().toJSON()", section
    )
    return box
