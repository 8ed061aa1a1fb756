"""``/v1/changes``: what is stored, as it is stored, as server-sent events that can be resumed."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncGenerator
from typing import Annotated, Any, Final

from fastapi import APIRouter, Header, Query
from pydantic import Field

from pagereeve.console.api.asker import Asker, Asking
from pagereeve.console.api.context import ApiContext, Context
from pagereeve.console.api.event_stream import MEDIA_TYPE, STILL_HERE, Event, EventStream
from pagereeve.console.api.links import release_link
from pagereeve.console.api.paging import Asked
from pagereeve.console.api.problems import ApiProblem, responses
from pagereeve.domain.ledger import ReleaseKey
from pagereeve.domain.values.instants import to_text
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.ports.seal import NewlyStored

router = APIRouter(tags=["changes"])

STREAMS_MAX: Final = 64
PAGE: Final = 256
LOOK_S: Final = 0.5
STILL_S: Final = 15.0
# Then a reader comes again by itself, and is asked anew who it is.
STREAM_S: Final = 600.0
AGAIN_MS: Final = 2_000
# OpenAPI 3.1 has no word for the events of a stream; 3.2 has.
EVENTS: Final = {"description": "Server-sent events; their data is JSON."}


class ChangesQuestion(Asked):
    printer: str | None = Field(default=None, max_length=200, description="Only what is stored of this printer.")
    after: int | None = Field(
        default=None, ge=0, lt=2**63, description="The id of the last event that was read; else what comes from now on."
    )


@router.get(
    "/changes",
    response_class=EventStream,
    status_code=200,
    responses={200: {"content": {MEDIA_TYPE: {"schema": EVENTS}}}, **responses("journal-unavailable")},
)
async def changes(
    context: Context,
    asker: Asking,
    asked: Annotated[ChangesQuestion, Query()],
    last_event_id: Annotated[
        str | None, Header(max_length=19, pattern=r"^[0-9]{1,18}$", description="As `after`; it counts where both are.")
    ] = None,
) -> EventStream:
    """What is stored, as it is stored: a server-sent event for each fact, which says what it is about and not what it
    says; ask for that. Events: `begin` (where the stream begins, in which journal), `stored`, and `reset` where the
    journal does not hold what was read before (it was restored): ask for everything again.
    """
    if context.streams.open >= STREAMS_MAX:
        raise ApiProblem("over-capacity", "stream", f"{STREAMS_MAX} are open; ask again later")
    after = asked.after if last_event_id is None else int(last_event_id)
    head = await context.reads.seal_head()
    last = await context.reads.last_position()
    begins = last if after is None else after
    first = [Event("begin", {"journal": None if head is None else head.origin, "after": begins}, begins)]
    if begins > last:
        begins = last
        first = [Event("reset", {"journal": None if head is None else head.origin, "after": last}, last)]
    return EventStream(_events(context, asker, asked.printer, begins, first))


async def _events(
    context: ApiContext, asker: Asker, printer: str | None, position: int, first: list[Event]
) -> AsyncGenerator[bytes, None]:
    """Reads where it is, and waits where there is nothing more: nothing is kept for a reader that is slow."""
    loop = asyncio.get_running_loop()
    ends_s, said_s = loop.time() + STREAM_S, loop.time()
    with context.streams.one():
        yield f"retry: {AGAIN_MS}\n\n".encode()
        for event in first:
            yield event.to_bytes()
        while loop.time() < ends_s:
            try:
                page = await context.reads.stored_after(position, PAGE)
            except JournalUnavailable:
                return  # it comes again, and is told so then
            told = [one for one in page if printer in {None, one.printer}]
            if told:
                yield b"".join(Event("stored", _members(one, asker), one.position).to_bytes() for one in told)
                said_s = loop.time()
            elif loop.time() - said_s >= STILL_S:
                yield STILL_HERE
                said_s = loop.time()
            position = page[-1].position if page else position
            if len(page) < PAGE:
                await asyncio.sleep(LOOK_S)


def _members(stored: NewlyStored, asker: Asker) -> dict[str, Any]:
    """An event's id is its sender's own words, and may name a person."""
    members: dict[str, Any] = {
        "position": stored.position,
        "kind": stored.kind,
        "at": None if stored.at_us is None else to_text(stored.at_us),
        "printer": stored.printer or None,
    }
    if stored.source is not None:
        members["source"] = stored.source
        members["id"] = stored.event_id if asker.sees_names else None
    if stored.release is not None and stored.source is not None:
        members["release"] = stored.release
        members["about"] = release_link(ReleaseKey(stored.source, stored.release))
    return members
