"""A small web server that records requests and answers as a test says: also late, without end, or not at all."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Final

from tests.integration.serving import serving

OK: Final = b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\nok"


@dataclass(frozen=True, slots=True)
class Request:
    method: str
    path: str
    headers: dict[str, str]
    body: bytes


@dataclass
class WebServer:
    """``answer`` makes the raw answer to a request; empty: none comes. ``goes_on`` follows until the peer is gone."""

    port: int = 0
    scheme: str = "http"
    requests: list[Request] = field(default_factory=list)
    answer: Callable[[Request], bytes] = lambda _request: OK
    goes_on: bytes = b""
    sent_bytes: int = 0

    @property
    def url(self) -> str:
        return f"{self.scheme}://127.0.0.1:{self.port}"

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        request = await _read(reader)
        self.requests.append(request)
        answer = self.answer(request)
        if not answer:
            await reader.read()
        writer.write(answer)
        await writer.drain()
        while self.goes_on:
            writer.write(self.goes_on)
            self.sent_bytes += len(self.goes_on)
            await writer.drain()


async def _read(reader: asyncio.StreamReader) -> Request:
    head = (await reader.readuntil(b"\r\n\r\n")).decode("ascii")
    first, *lines = head.strip().split("\r\n")
    headers = {name.lower(): value.strip() for name, _, value in (line.partition(":") for line in lines)}
    body = await reader.readexactly(int(headers.get("content-length", "0")))
    method, path, _ = first.split(" ")
    return Request(method, path, headers, body)


def status(line: str, *headers: str, body: bytes = b"") -> bytes:
    head = "\r\n".join((f"HTTP/1.1 {line}", f"Content-Length: {len(body)}", *headers))
    return head.encode() + b"\r\n\r\n" + body


@asynccontextmanager
async def web_server(tls: ssl.SSLContext | None = None) -> AsyncIterator[WebServer]:
    site = WebServer(scheme="http" if tls is None else "https")
    async with serving(site.serve, tls) as site.port:
        yield site
