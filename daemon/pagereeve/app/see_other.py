"""The answer to a form: another page is asked for next, so that one that is loaded again sends nothing twice."""

from __future__ import annotations

from collections.abc import Sequence

from pagereeve.feeds.http.answers import Send


async def see_other(send: Send, address: str, more: Sequence[tuple[bytes, bytes]] = ()) -> None:
    """A browser asks for ``address`` next, with GET (RFC 9110 section 15.4.4). ``more`` are header lines."""
    headers = [
        (b"location", address.encode("ascii")),
        (b"content-length", b"0"),
        (b"cache-control", b"no-store"),
        *more,
    ]
    await send({"type": "http.response.start", "status": 303, "headers": headers})
    await send({"type": "http.response.body", "body": b""})
