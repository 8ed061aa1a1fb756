"""One POST, bounded in time and size; what became of it, in the terms of ports.notify."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Container, Mapping
from dataclasses import dataclass, field
from http import HTTPStatus
from typing import Final
from urllib.parse import urlsplit

import httpx2

from pagereeve.ports.receiver import NotDelivered, ReceiverGone
from pagereeve.receivers.wording import one_line

CONNECT_S: Final = 5.0
ANSWER_MAX_BYTES: Final = 4096
ANSWER_SHOWN: Final = 200
# No answer, no cookie and no redirect is of use, and a connection that idled for hours is often dead unnoticed.
_LIMITS: Final = httpx2.Limits(max_connections=4, max_keepalive_connections=0)


@dataclass(frozen=True, slots=True)
class PostTarget:
    """Where to post. A URL may hold a secret in its path or query, so none is ever shown but for host and port.

    ``total_s`` bounds the whole of one POST. ``tls`` is for https; None: the system's certificates.
    ``of_message`` holds the statuses that speak of this message alone. ``shows_answers`` lets the start of an answer
    into an error's text: only where no secret was sent that a server could echo. ``gone`` holds the statuses by which
    it wants nothing more. Of an answer so much as ``answer_max_bytes`` is read.
    """

    url: str = field(repr=False)
    of_message: Container[int]
    total_s: float = 10.0
    tls: ssl.SSLContext | None = field(default=None, repr=False)
    shows_answers: bool = False
    gone: Container[int] = ()
    answer_max_bytes: int = ANSWER_MAX_BYTES

    @property
    def place(self) -> str:
        """``host:port``, fit to be shown."""
        parts = urlsplit(self.url)
        host = parts.hostname or ""
        port = parts.port or (443 if parts.scheme == "https" else 80)
        return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


@dataclass(frozen=True, slots=True)
class Posted:
    """What was answered; ``retry_after_s`` is 0 where nothing was said of it."""

    status: int
    body: bytes = field(repr=False)
    retry_after_s: float = 0.0


class Poster:
    """Proxies, netrc and other settings of the environment are not used, and redirects not followed."""

    def __init__(self, target: PostTarget) -> None:
        self._target = target
        # Without TLS no certificates need to be loaded; with https the default is to check them.
        verify: ssl.SSLContext | bool = False
        if target.url.lower().startswith("https:"):
            verify = target.tls or ssl.create_default_context()
        self._client = httpx2.AsyncClient(
            verify=verify,
            timeout=httpx2.Timeout(target.total_s, connect=min(CONNECT_S, target.total_s)),
            limits=_LIMITS,
            follow_redirects=False,
            trust_env=False,
            headers={"user-agent": "pagereeve", "accept-encoding": "identity"},
        )

    async def post(self, body: bytes, headers: Mapping[str, str]) -> None:
        """Returns on a status of 2xx. Raises NotDelivered, or ReceiverGone."""
        target = self._target
        posted = await self.exchange(body, headers)
        if not 200 <= posted.status <= 299:
            text = f"{target.place} answered {posted.status}{_phrase(posted.status)}"
            shown = one_line(posted.body.decode(errors="replace"), ANSWER_SHOWN) if target.shows_answers else ""
            text = f"{text}: {shown}" if shown else text
            if posted.status in target.gone:
                raise ReceiverGone(text)
            raise NotDelivered(text, of_message=posted.status in target.of_message)

    async def exchange(self, body: bytes, headers: Mapping[str, str]) -> Posted:
        """The answer, whatever its status. Raises NotDelivered where none came."""
        target = self._target
        try:
            async with asyncio.timeout(target.total_s):
                return await self._exchange(body, headers)
        except TimeoutError as error:
            raise NotDelivered(f"{target.place} did not answer within {target.total_s:g} s") from error
        except (httpx2.HTTPError, OSError) as error:
            raise NotDelivered(f"{target.place} can't be reached: {_reason(error)}") from error

    async def close(self) -> None:
        await self._client.aclose()

    async def _exchange(self, body: bytes, headers: Mapping[str, str]) -> Posted:
        most_bytes = self._target.answer_max_bytes
        async with self._client.stream("POST", self._target.url, content=body, headers=headers) as response:
            answer = b""
            async for chunk in response.aiter_raw():
                answer += chunk[: most_bytes - len(answer)]
                if len(answer) >= most_bytes:
                    break
            return Posted(response.status_code, answer, _seconds(response.headers.get("retry-after", "")))


def _seconds(text: str) -> float:
    """Of a Retry-After in seconds (RFC 9110 section 10.2.3); 0 for a date, or nothing."""
    return float(text) if text.isascii() and text.isdigit() and len(text) <= 6 else 0.0


def _reason(error: Exception) -> str:
    # The text of a protocol error quotes what was sent, headers among it.
    spoken = isinstance(error, httpx2.ConnectError | OSError)
    return one_line(str(error), ANSWER_SHOWN) if spoken and str(error) else type(error).__name__


def _phrase(status: int) -> str:
    try:
        return f" ({HTTPStatus(status).phrase})"
    except ValueError:
        return ""
