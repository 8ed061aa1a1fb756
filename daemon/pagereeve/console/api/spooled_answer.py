"""An answer that is sent while it is made, to a reader who reads at a pace of its own."""

from __future__ import annotations

import asyncio
from typing import Any, Final

import structlog
from starlette.responses import StreamingResponse
from starlette.types import Receive, Scope, Send

from pagereeve.console.api.faults import route_of
from pagereeve.console.api.spool import Spool

STALLED_S: Final = 60.0
SENDING_S: Final = 3_600.0

log = structlog.get_logger("pagereeve.api")


class SpooledAnswer(StreamingResponse):
    """A reader that takes nothing for STALLED_S is cut off: its connection ends, its answer is not whole."""

    def __init__(self, spool: Spool, media_type: str, headers: dict[str, str], *, stalled_s: float = STALLED_S) -> None:
        self._spool = spool
        self._stalled_s = stalled_s
        super().__init__(spool.chunks(), media_type=media_type, headers=headers)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def in_time(message: Any) -> None:
            async with asyncio.timeout(self._stalled_s):
                await send(message)

        try:
            async with asyncio.timeout(SENDING_S):
                await super().__call__(scope, receive, in_time)
        except TimeoutError:
            log.warning("an answer was not read, and is broken off", route=route_of(scope))
        except Exception:
            # It has begun: that it ends without its end is all that can be said.
            log.exception("an answer was not made whole, and is broken off", route=route_of(scope))
        finally:
            await self._spool.close()
