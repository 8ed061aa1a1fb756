"""What a printer may send back to one request, in octets: an HTTP library reads headers, interim answers and pieces as
long as they come, and has no turn for others while there is more.
"""

from __future__ import annotations

import asyncio
from typing import Any, Final

import httpx2

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.meters.ipp.ended import IppEnded
from pagereeve.meters.ipp.message import ANSWER_BYTES_MAX

# The answer in pieces, its headers, and what TLS or a chunk adds.
RECEIVED_BYTES_MAX: Final = 2 * ANSWER_BYTES_MAX
# So much is worked through without a turn for others.
READ_BYTES_MAX: Final = 2_048


class BoundedTransport(httpx2.AsyncHTTPTransport):
    """Raises IppEnded in the middle of an answer that is too long."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        # The library takes no backend in its own options (httpx2 2.16); a test sees whether this still bounds it.
        pool: Any = self._pool
        pool._network_backend = _BoundedBackend(pool._network_backend)  # noqa: SLF001


class _BoundedBackend:
    def __init__(self, inner: Any) -> None:
        self._inner = inner

    async def connect_tcp(self, host: str, port: int, **options: Any) -> _BoundedStream:
        return _BoundedStream(await self._inner.connect_tcp(host, port, **options), f"{host}:{port}")

    async def sleep(self, seconds: float) -> None:
        await self._inner.sleep(seconds)


class _BoundedStream:
    """A request sets the count back: a connection serves many."""

    def __init__(self, inner: Any, place: str) -> None:
        self._inner = inner
        self._place = place
        self._received = 0

    async def read(self, max_bytes: int, timeout: float | None = None) -> bytes:  # noqa: ASYNC109 - the library's name
        await asyncio.sleep(0)
        data: bytes = await self._inner.read(min(max_bytes, READ_BYTES_MAX), timeout)
        self._received += len(data)
        if self._received > RECEIVED_BYTES_MAX:
            text = f"{self._place} sent more than {RECEIVED_BYTES_MAX} octets and did not end"
            raise IppEnded(SilenceReason.MALFORMED, text)
        return data

    async def write(self, buffer: bytes, timeout: float | None = None) -> None:  # noqa: ASYNC109
        self._received = 0
        await self._inner.write(buffer, timeout)

    async def aclose(self) -> None:
        await self._inner.aclose()

    async def start_tls(self, *args: Any, **options: Any) -> _BoundedStream:
        return _BoundedStream(await self._inner.start_tls(*args, **options), self._place)

    def get_extra_info(self, info: str) -> Any:
        return self._inner.get_extra_info(info)
