"""What may be read, and by whom: every page but the two that say whether all is well, and the details of those."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from pagereeve.domain.credentials.callers import ANY_READER, Caller
from pagereeve.feeds.http.answers import (
    CALLER,
    CLOSE,
    DETAILED,
    READER,
    AsgiApp,
    Receive,
    Scope,
    Send,
    refusal_answer,
    send_answer,
)
from pagereeve.feeds.http.callers import HttpCallers
from pagereeve.feeds.http.quotas import paced_pages
from pagereeve.feeds.refusals import Refusal
from pagereeve.feeds.stats import FeedStats
from pagereeve.ports.clock import Clock

OPEN_PATHS: Final = frozenset({"/healthz", "/readyz"})
# Where people sign in, and what every page is made with: nothing of the site is in them.
OPEN_PAGES: Final = frozenset({"/sign-in"})
OPEN_FOLDER: Final = "/static/"
NOBODY: Final = Caller("", frozenset())


def guarded_pages(pages: AsgiApp, callers: HttpCallers, stats: FeedStats) -> AsgiApp:
    """Asks for a credential with the act ``read`` as soon as any credential exists. OPEN_PATHS answer anybody, and so
    do open pages.

    These are told by DETAILED in the scope whether whoever asks may have the details.
    """

    async def guarded(scope: Scope, receive: Receive, send: Send) -> None:
        path = scope["path"]
        is_open = path in OPEN_PATHS or path in OPEN_PAGES or path.startswith(OPEN_FOLDER)
        # A probe shows nothing, mostly, and that is no failed attempt.
        if is_open and callers.book and not _shows_something(scope):
            await pages({**scope, DETAILED: False, READER: NOBODY}, receive, send)
            return
        found = _found(callers, scope)
        if isinstance(found, Caller):
            await pages({**scope, DETAILED: True, READER: found}, receive, send)
        elif is_open:
            await pages({**scope, DETAILED: False, READER: NOBODY}, receive, send)
        else:
            stats.refused[found.reason] += 1
            await send_answer(refusal_answer(found, 1, CLOSE), send)

    return guarded


def around_pages(callers: HttpCallers, stats: FeedStats, clock: Clock) -> Callable[[AsgiApp], AsgiApp]:
    """What stands before the pages: each peer's pace, then who may read."""
    return lambda pages: paced_pages(guarded_pages(pages, callers, stats), stats, clock)


def _found(callers: HttpCallers, scope: Scope) -> Caller | Refusal:
    try:
        return callers.reader(scope) or ANY_READER
    except Refusal as refusal:
        return refusal.let_go()


def _shows_something(scope: Scope) -> bool:
    return CALLER in scope or any(name == b"authorization" for name, _ in scope["headers"])
