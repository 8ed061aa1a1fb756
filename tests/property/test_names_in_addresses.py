"""A printer's name comes back from each address that is made of it, whatever it holds."""

from __future__ import annotations

import asyncio
import html
import re
from urllib.parse import urljoin

from hypothesis import example, given, settings
from hypothesis import strategies as st

from pagereeve.app.installing.check_door import CheckDoor, with_checks
from pagereeve.console.api.checking.answers import PrinterChecked
from pagereeve.console.api.checking.routes import make_checking
from pagereeve.console.api.links import printer_link
from pagereeve.console.api.site import AskedPrinter, AskedSite
from pagereeve.domain.credentials.callers import Caller
from pagereeve.domain.values.visible import visible
from pagereeve.feeds.http.answers import Message, Receive, Scope, Send
from pagereeve.feeds.http.endpoint import EventsEndpoint
from pagereeve.feeds.testing import LoopClock, MemoryIntake
from pagereeve.ports.setting_types import NAME_PATTERN
from pagereeve.queries.readiness import PrinterLook
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import asking
from tests.credentials import bearer, callers_of, credential
from tests.journal_samples import read

OF_SETTINGS = st.from_regex(NAME_PATTERN, fullmatch=True)
# Notices name printers that no settings know, by any text without control characters. A whole step of dots is a step up
# for every browser, however it is written (url.spec.whatwg.org, "double-dot URL path segment"): settings refuse it.
OF_NOTICES = st.text(
    st.one_of(st.sampled_from("/%.?#&+; '\"<ä\u202e"), st.characters(exclude_categories=["Cs"], min_codepoint=32)),
    min_size=1,
    max_size=60,
).filter(lambda name: name not in {".", ".."})


def links_to(page: str, name: str) -> set[str]:
    """As a browser follows them: dots between slashes are steps up."""
    found = re.findall(r'<a href="(/printers/[^"?]+)">(?:<bdi>)?([^<]*)<', page)
    return {urljoin("http://query/printers", html.unescape(href)) for href, text in found if text == escaped(name)}


def escaped(name: str) -> str:
    return html.escape(visible(name)).replace("&#x27;", "&#39;").replace("&quot;", "&#34;")


async def comes_back(name: str, site: AskedSite, journal: MemoryJournal) -> None:
    async with asking(journal, site=site) as client:
        for page in ("/printers", "/now", "/installation?show=all"):
            text = (await client.get(page)).text
            if page == "/printers":
                assert links_to(text, name)
            for link in links_to(text, name):
                shown = await client.get(link)
                assert (shown.status_code, f"<h1>{escaped(name)}</h1>" in shown.text) == (200, True), link
        if not name.endswith("/check"):
            answer = await client.get(printer_link(name))
            assert (answer.status_code, answer.json()["printer"]) == (200, name)


@settings(max_examples=40)
@given(OF_SETTINGS)
def test_each_name_that_settings_accept(name: str) -> None:
    site = AskedSite(printers=(AskedPrinter(name=name, host="192.0.2.1", port=161),))
    asyncio.run(comes_back(name, site, MemoryJournal()))


@settings(max_examples=40)
@given(OF_NOTICES)
@example("a/b")
@example("a/../b")
@example("/")
@example("hall/check")
@example("100%25 of 2/3?x#y")
def test_each_name_that_notices_may_give(name: str) -> None:
    async def known() -> None:
        journal = MemoryJournal()
        await journal.observe(name, [], read(100, name))
        await comes_back(name, AskedSite(), journal)

    asyncio.run(known())


class _Checks:
    def __init__(self) -> None:
        self.asked: list[str] = []

    async def check(self, printer: str, caller: Caller) -> PrinterChecked:
        self.asked.append(printer)
        return PrinterChecked.of(PrinterLook("hall", "", "192.0.2.1"))


async def _elsewhere(scope: Scope, _: Receive, __: Send) -> None:
    raise AssertionError(f"{scope['path']} is asked of the query process")


@settings(max_examples=40)
@given(st.one_of(OF_SETTINGS, OF_NOTICES))
@example("a/b")
@example("hall/check")
def test_a_check_is_of_the_printer_that_its_address_names(name: str) -> None:
    asked = _Checks()
    callers = callers_of(credential("tool", "install"))
    events = EventsEndpoint(MemoryIntake(), None, clock=LoopClock(), callers=callers)
    app = with_checks(_elsewhere, CheckDoor(make_checking(asked, "/v1"), events))

    async def post() -> list[int]:
        statuses = []

        async def send(message: Message) -> None:
            if message["type"] == "http.response.start":
                statuses.append(message["status"])

        async def receive() -> Message:
            return {"type": "http.request", "body": b"", "more_body": False}

        scope = {
            "type": "http",
            "method": "POST",
            "path": f"/v1/printers/{name}/check",
            "query_string": b"",
            "headers": [(b"authorization", bearer("tool").encode())],
            "client": ("192.0.2.1", 1),
        }
        await app(scope, receive, send)
        return statuses

    assert (asyncio.run(post()), asked.asked) == ([200], [name])
