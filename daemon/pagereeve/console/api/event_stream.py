"""Server-sent events (html.spec.whatwg.org, section "Server-sent events"): a text that goes on.

A reader that does not read is cut off after a while: nothing is kept for it, it says later where it was.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncGenerator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from starlette.responses import StreamingResponse
from starlette.types import Receive, Scope, Send

MEDIA_TYPE: Final = "text/event-stream"
SLOW_S: Final = 30.0


@dataclass(frozen=True, slots=True)
class Event:
    """``id`` is where a reader goes on that comes again (Last-Event-ID); None leaves the one before in force."""

    name: str
    data: Mapping[str, Any]
    id: int | None = None

    def to_bytes(self) -> bytes:
        told = "" if self.id is None else f"id: {self.id}\n"
        # JSON holds no line's end of its own.
        return f"{told}event: {self.name}\ndata: {json.dumps(dict(self.data), ensure_ascii=False)}\n\n".encode(
            errors="backslashreplace"
        )


STILL_HERE: Final = b": still here\n\n"
"""A comment: it lets both ends, and what lies between them, see that nothing is lost."""


class EventStream(StreamingResponse):
    """``chunks`` are events' bytes; each must leave within SLOW_S."""

    def __init__(self, chunks: AsyncGenerator[bytes, None]) -> None:
        # A proxy that would keep them back is asked not to (nginx.org, ngx_http_proxy_module, "proxy_buffering").
        self._chunks = chunks
        super().__init__(
            chunks, media_type=MEDIA_TYPE, headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
        )

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def in_time(message: Any) -> None:
            async with asyncio.timeout(SLOW_S):
                await send(message)

        try:
            await super().__call__(scope, receive, in_time)
        except TimeoutError:
            return  # it left its answer unread: the connection ends, and nobody else was kept waiting
        finally:
            # At once, and not when the collector comes: what it holds is counted.
            await self._chunks.aclose()
