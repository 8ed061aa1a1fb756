"""Requests to a provider: bounded in time and size, without redirects, proxies or anything else of the environment."""

from __future__ import annotations

import ssl
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any, Final

import httpx2

from pagereeve.ports.secrets import NoSecret

ANSWER_MAX_BYTES: Final = 262_144
CONNECT_S: Final = 5.0
ANSWER_S: Final = 10.0
"""The whole of one exchange."""
HEADERS: Final = {"user-agent": "pagereeve", "accept-encoding": "identity", "accept": "application/json"}


class BadAnswer(httpx2.TransportError):
    """Too large, or packed: of a few bytes that are unpacked could come any number."""


class BoundedTransport(httpx2.AsyncBaseTransport):
    """One for each exchange: sign-ins are rare, and a connection that idled is often dead unnoticed."""

    def __init__(self, tls: ssl.SSLContext) -> None:
        self._inner = httpx2.AsyncHTTPTransport(verify=tls, trust_env=False)

    async def handle_async_request(self, request: httpx2.Request) -> httpx2.Response:
        response = await self._inner.handle_async_request(request)
        stream = response.stream
        if not isinstance(stream, httpx2.AsyncByteStream):
            raise BadAnswer("the answer is none that can be read bit by bit")
        if response.headers.get("content-encoding", "identity").lower() != "identity":
            await response.aclose()
            raise BadAnswer("the answer is packed, which nobody asked for")
        return httpx2.Response(
            response.status_code, headers=response.headers, stream=_Bounded(stream), extensions=response.extensions
        )

    async def aclose(self) -> None:
        await self._inner.aclose()


class _Bounded(httpx2.AsyncByteStream):
    def __init__(self, inner: httpx2.AsyncByteStream) -> None:
        self._inner = inner

    async def __aiter__(self) -> AsyncIterator[bytes]:
        size_bytes = 0
        async for chunk in self._inner:
            size_bytes += len(chunk)
            if size_bytes > ANSWER_MAX_BYTES:
                raise BadAnswer(f"the answer is larger than {ANSWER_MAX_BYTES} bytes")
            yield chunk

    async def aclose(self) -> None:
        await self._inner.aclose()


def trusted(ca_file: Path | None) -> ssl.SSLContext:
    """Reads files. Raises NoSecret."""
    try:
        return ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise NoSecret(f"{ca_file} can't be used as certificates ({reason}); it must be PEM") from error


def client_options(tls: ssl.SSLContext) -> dict[str, Any]:
    return {
        "transport": BoundedTransport(tls),
        "timeout": httpx2.Timeout(ANSWER_S, connect=CONNECT_S),
        "follow_redirects": False,
        "trust_env": False,
        "headers": HEADERS,
    }
