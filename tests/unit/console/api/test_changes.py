"""The stream of what is stored: as html.spec.whatwg.org has server-sent events, resumed, bounded, without names."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Sequence
from typing import Any, Final
from urllib.parse import urlencode

import pytest

from pagereeve.console.api import event_stream
from pagereeve.console.api.application import make_api
from pagereeve.console.api.asker import headers_of
from pagereeve.console.api.context import ApiContext
from pagereeve.console.api.resources import changes
from pagereeve.console.api.site import AskedSite
from pagereeve.domain.credentials.callers import Caller
from pagereeve.domain.values.instants import to_text
from pagereeve.store.memory.journal import MemoryJournal
from tests.asking import ACCOUNTING, READER
from tests.journal_samples import NOON_US, SERVER, badge, started

HALL: Final = "hall"


@pytest.fixture(autouse=True)
def _hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(changes, "LOOK_S", 0.01)


class Stream:
    """One reader: events as they come; ``stalls`` leaves everything unread."""

    def __init__(self, context: ApiContext, query: str = "", caller: Caller = READER, last: str = "") -> None:
        self.status = 0
        self._chunks: asyncio.Queue[bytes] = asyncio.Queue()
        self._hang_up = asyncio.Event()
        self.stalls = False
        more = [(b"last-event-id", last.encode())] if last else []
        scope = {
            "type": "http",
            "method": "GET",
            "path": "/v1/changes",
            "raw_path": b"/v1/changes",
            "query_string": query.encode(),
            "headers": [*headers_of(caller), *more],
        }
        self.task = asyncio.create_task(make_api(context)(scope, self._receive, self._send))

    async def _receive(self) -> Any:
        await self._hang_up.wait()
        return {"type": "http.disconnect"}

    async def _send(self, message: Any) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
        elif self.stalls:
            await asyncio.Event().wait()
        else:
            self._chunks.put_nowait(message["body"])

    async def event(self) -> tuple[str, str, Any]:
        """(id, name, data) of the next one."""
        while True:
            text = (await asyncio.wait_for(self._next(), 5)).decode()
            fields = dict(line.split(": ", 1) for line in text.strip().split("\n") if not line.startswith(":"))
            if "event" in fields:
                return fields.get("id", ""), fields["event"], json.loads(fields["data"])

    async def _next(self) -> bytes:
        if not hasattr(self, "_rest"):
            self._rest: list[bytes] = []
        while not self._rest:
            self._rest = [one for one in (await self._chunks.get()).split(b"\n\n") if one.strip()]
        return self._rest.pop(0)

    async def end(self) -> None:
        self._hang_up.set()
        await asyncio.wait_for(self.task, 5)


async def journal_of(names: Sequence[str]) -> MemoryJournal:
    journal = MemoryJournal()
    for nth, name in enumerate(names):
        await journal.append(started(name, HALL, release=f"job {name}/1", at_us=NOON_US + nth))
    return journal


async def test_what_is_stored_comes_as_it_is_stored() -> None:
    journal = await journal_of(["old"])
    stream = Stream(ApiContext(journal, AskedSite(), lambda: NOON_US))
    where, name, data = await stream.event()
    assert (where, name, data["after"]) == ("1", "begin", 1)  # what was there before is not told
    head = await journal.seal_head()
    assert head is not None
    assert data["journal"] == head.origin
    await journal.append(started("new", HALL, release="job new/1", at_us=NOON_US + 7))
    where, name, data = await stream.event()
    assert (where, name) == ("2", "stored")
    assert data == {
        "position": 2,
        "kind": "pagereeve.release.started.v1",
        "at": to_text(NOON_US + 7),
        "printer": HALL,
        "source": SERVER,
        "id": None,  # a sender's own words, which may name a person
        "release": "job new/1",
        "about": f"/v1/releases/job%20new%2F1?{urlencode({'source': SERVER})}",
    }
    await stream.end()


async def test_a_reader_that_comes_again_misses_nothing_and_reads_nothing_twice() -> None:
    journal = await journal_of([f"n{nth}" for nth in range(600)])  # more than two pages
    context = ApiContext(journal, AskedSite(), lambda: NOON_US)
    stream = Stream(context, "after=0", ACCOUNTING)
    assert (await stream.event())[1] == "begin"
    first = [await stream.event() for _ in range(300)]
    await stream.end()
    again = Stream(context, "after=3", ACCOUNTING, last=first[-1][0])  # the header counts, as a browser sends it
    assert (await again.event())[2]["after"] == 300
    rest = [await again.event() for _ in range(300)]
    assert [data["id"] for _, _, data in first + rest] == [f"n{nth}" for nth in range(600)]
    await again.end()
    assert context.streams.open == 0


async def test_one_printer_alone_may_be_asked_for_and_the_place_moves_on() -> None:
    journal = await journal_of(["a"])
    await journal.append(badge("b1", ""))
    await journal.append(started("c", "library"))
    stream = Stream(ApiContext(journal, AskedSite(), lambda: NOON_US), "after=0&printer=library")
    assert (await stream.event())[1] == "begin"
    assert (await stream.event())[2]["printer"] == "library"
    await stream.end()


async def test_a_journal_that_was_restored_is_told_so() -> None:
    stream = Stream(ApiContext(await journal_of(["a", "b"]), AskedSite(), lambda: NOON_US), last="900")
    where, name, data = await stream.event()
    assert (where, name, data["after"]) == ("2", "reset", 2)
    await stream.end()


async def test_a_reader_that_does_not_read_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(event_stream, "SLOW_S", 0.1)
    context = ApiContext(await journal_of(["a"]), AskedSite(), lambda: NOON_US)
    slow, quick = Stream(context, "after=0"), Stream(context, "after=0")
    slow.stalls = True
    assert [(await quick.event())[1] for _ in range(2)] == ["begin", "stored"]
    await asyncio.wait_for(slow.task, 5)
    assert not quick.task.done()
    await quick.end()
    assert context.streams.open == 0


async def test_so_many_streams_and_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(changes, "STREAMS_MAX", 2)
    context = ApiContext(await journal_of([]), AskedSite(), lambda: NOON_US)
    streams = [Stream(context) for _ in range(2)]
    for one in streams:
        await one.event()
    refused = Stream(context)
    await asyncio.wait_for(refused.task, 5)
    assert refused.status == 503
    for one in streams:
        await one.end()


async def test_a_stream_ends_after_a_while_so_that_its_reader_is_asked_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(changes, "STREAM_S", 0.05)
    monkeypatch.setattr(changes, "STILL_S", 0.02)
    stream = Stream(ApiContext(await journal_of(["a"]), AskedSite(), lambda: NOON_US))
    assert (await stream.event())[1] == "begin"
    await asyncio.wait_for(stream.task, 5)
    assert stream.status == 200


@pytest.mark.parametrize("query", ["after=-1", "after=x", f"after={2**63}", "printre=hall"])
async def test_what_can_not_be_meant_is_refused(query: str) -> None:
    stream = Stream(ApiContext(await journal_of([]), AskedSite(), lambda: NOON_US), query)
    await asyncio.wait_for(stream.task, 5)
    assert stream.status == 400
