"""An answer that goes on ends with what allowed it: whoever asks again is asked anew who it is."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from pagereeve.feeds.http.answers import Message, Send

_STREAM: Final = b"text/event-stream"


def while_allowed(send: Send, is_allowed: Callable[[], bool]) -> Send:
    """Ends a stream of events before the first of them that may not be sent any more."""
    streams = ended = False

    async def sending(message: Message) -> None:
        nonlocal streams, ended
        if ended:
            return
        if message["type"] == "http.response.start":
            kinds = [value for name, value in message.get("headers", ()) if name.lower() == b"content-type"]
            streams = any(kind.startswith(_STREAM) for kind in kinds)
        elif streams and not is_allowed():
            ended = True
            message = {"type": "http.response.body", "body": b"", "more_body": False}
        await send(message)

    return sending
