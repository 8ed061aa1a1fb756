"""``POST /v1/printers/{printer}/check`` at the daemon's HTTP endpoint: who asks, and how many at once."""

from __future__ import annotations

import re
from typing import Final

from pagereeve.app.api_admission import admitted
from pagereeve.console.api.application import PREFIX
from pagereeve.domain.credentials.callers import Caller
from pagereeve.feeds.http.answers import CLOSE, READER, AsgiApp, Receive, Scope, Send, refusal_answer, send_answer
from pagereeve.feeds.http.endpoint import EventsEndpoint
from pagereeve.feeds.refusals import Refusal

# A name may hold a slash: the server gives paths decoded.
_PATH: Final = re.compile(rf"{PREFIX}/printers/.+/check", re.DOTALL)
# Four are asked at once, 8 s each at most: the last waits half a minute.
AT_ONCE: Final = 16
RETRY_AFTER_S: Final = 10


class CheckDoor:
    """No body is read: none says anything. ``events`` is the endpoint beside it: they share quotas and counters."""

    def __init__(self, checking: AsgiApp, events: EventsEndpoint) -> None:
        self._checking = checking
        self._events = events
        self._under_way = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        self._under_way += 1
        try:
            await self._checking({**scope, READER: self._admitted(scope)}, receive, send)
        except Refusal as refusal:
            self._events.stats.refused[refusal.reason] += 1
            await send_answer(refusal_answer(refusal.let_go(), RETRY_AFTER_S, CLOSE), send)
        finally:
            self._under_way -= 1

    def _admitted(self, scope: Scope) -> Caller:
        """Raises Refusal."""
        caller = admitted(scope, self._events, "install", "checks")
        if self._under_way > AT_ONCE:
            raise Refusal("over-capacity", "request", "too many checks at once; send it again later")
        return caller


def with_checks(web: AsgiApp, door: CheckDoor) -> AsgiApp:
    """``web``, and before it checks: a credential that installs need not have the act read."""

    async def dispatch(scope: Scope, receive: Receive, send: Send) -> None:
        is_check = scope["type"] == "http" and scope["method"] == "POST" and _PATH.fullmatch(scope["path"]) is not None
        await (door if is_check else web)(scope, receive, send)

    return dispatch
