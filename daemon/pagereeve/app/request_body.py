"""The body of what a command of this host asks, bounded in size and time."""

from __future__ import annotations

import asyncio

from pagereeve.feeds.http.answers import Receive
from pagereeve.feeds.refusals import Refusal


async def read_body(receive: Receive, max_bytes: int, within_s: float) -> bytes:
    """Raises Refusal for one that is larger, or late."""
    body, more = bytearray(), True
    try:
        async with asyncio.timeout(within_s):
            while more:
                message = await receive()
                body += message.get("body", b"")
                if len(body) > max_bytes:
                    raise Refusal("too-large", "body", f"is more than {max_bytes} bytes long; send less at once")
                more = message.get("more_body", False) and message["type"] != "http.disconnect"
    except TimeoutError:
        raise Refusal("too-slow", "body", f"was not complete after {within_s:g} s; send it again") from None
    return bytes(body)
