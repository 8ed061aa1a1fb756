"""A connection to a server of NATS that is made when it is needed, and made anew after it was lost.

The client's own reconnecting is off: it would hold back and repeat what was asked long ago. Whoever asks hears at once
that the server is away, and asks again by his own pauses. (docs.nats.io, "Connecting"; "JetStream wire API Reference".)
"""

from __future__ import annotations

import asyncio
import ssl
from collections import UserString
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from typing import Any, Final

import nats.errors
import nats.js.errors
from nats.aio.client import Client
from nats.js.client import JetStreamContext
from nats.protocol.parser import AUTHORIZATION_VIOLATION, PERMISSIONS_ERR

from pagereeve.ports.broker import BrokerTrouble
from pagereeve.ports.broker_settings import BrokerSettings
from pagereeve.ports.forwarding import Trouble
from pagereeve.ports.secrets import NoSecret, secret_from_file
from pagereeve.receivers.kind import certificates
from pagereeve.receivers.wording import one_line

CREDENTIALS_MAX_BYTES: Final = 16_384
CLOSE_WITHIN_S: Final = 2.0
PING_EVERY_S: Final = 20
"""A line that is cut without a word is known to be lost when two of them were not answered."""
SHOWN: Final = 200
# Server errors 10047 and 10077: "insufficient resources", "maximum bytes exceeded" and the like.
_FULL: Final = frozenset({10_023, 10_047, 10_077})
_NOT_ALLOWED: Final = (nats.errors.AuthorizationError, nats.errors.InvalidUserCredentialsError)


@dataclass(frozen=True, slots=True, repr=False)
class Shown:
    """What the server is shown: arguments of the client, which are secrets, and certificates."""

    secrets: dict[str, Any]
    tls: ssl.SSLContext | None = None


def shown_by(settings: BrokerSettings) -> Shown:
    """Read once, now. Raises NoSecret."""
    secrets: dict[str, Any] = {}
    if settings.password_file is not None:
        secrets = {"user": settings.user, "password": secret_from_file(settings.password_file)}
    if settings.nkey_file is not None:
        secrets = {"nkeys_seed_str": _seed(settings)}
    if settings.creds_file is not None:
        secrets = {"user_credentials": UserString(_credentials(settings))}
    tls = certificates(settings.ca_file)
    if tls is None and settings.url.startswith("tls:"):
        tls = ssl.create_default_context()
    return Shown(secrets, tls)


def _seed(settings: BrokerSettings) -> str:
    import nkeys  # noqa: PLC0415 - only who has a seed needs it

    assert settings.nkey_file is not None  # noqa: S101 - for mypy
    seed = secret_from_file(settings.nkey_file)
    try:
        nkeys.from_seed(bytearray(seed.encode())).wipe()
    except (nkeys.NkeysError, ValueError):
        # Its own words may quote the seed.
        raise NoSecret(f"{settings.nkey_file} holds no seed of an nkey; the operator of the server makes one") from None
    return seed


def _credentials(settings: BrokerSettings) -> str:
    path = settings.creds_file
    assert path is not None  # noqa: S101 - for mypy
    try:
        with path.open("rb") as file:
            text = file.read(CREDENTIALS_MAX_BYTES + 1)
    except OSError as error:
        raise NoSecret(f"{path} can't be read ({error.strerror}); create it, readable for the daemon only") from None
    marks = (b"BEGIN NATS USER JWT", b"BEGIN USER NKEY SEED")
    if len(text) > CREDENTIALS_MAX_BYTES or not text.isascii() or not all(mark in text for mark in marks):
        raise NoSecret(f"{path} is no file of credentials of NATS; the operator of the server makes one")
    return text.decode()


class BrokerConnection:
    def __init__(self, settings: BrokerSettings, shown: Shown) -> None:
        self.name = settings.name
        self.timeout_s = settings.timeout.seconds
        self._url = settings.url
        self._shown = shown
        self._client: Client | None = None
        self._said = ""
        self._forbidden = ""

    @asynccontextmanager
    async def asked(self, what: str) -> AsyncIterator[JetStreamContext]:
        """To ask the server for one thing. Raises BrokerTrouble, in the place of all that the client raises."""
        self._forbidden = ""
        try:
            yield (await self._opened()).jetstream(timeout=self.timeout_s)
        except nats.js.errors.APIError as error:
            trouble: Trouble = "busy" if error.err_code in _FULL else "unreachable"
            words = one_line(error.description or f"error {error.err_code}", SHOWN)
            raise BrokerTrouble(trouble, f"{self.name} {what}: {words}") from error
        except nats.js.errors.NoStreamResponseError as error:
            raise BrokerTrouble("unreachable", f"{self.name} {what}: no stream takes it; create it") from error
        except _NOT_ALLOWED as error:
            raise BrokerTrouble("not-allowed", f"{self.name} {what}: it refuses who asks") from error
        except (nats.errors.Error, OSError, TimeoutError) as error:
            raise await self._lost(what, error) from error

    async def _lost(self, what: str, error: Exception) -> BrokerTrouble:
        """What is forbidden is told beside the answer, which then never comes."""
        if self._forbidden:
            return BrokerTrouble("not-allowed", f"{self.name} {what}: {self._forbidden}")
        await self.close()
        # Why it could not connect the client tells beside the error, too.
        own = "" if isinstance(error, nats.errors.NoServersError) else str(error)
        words = one_line(own or self._said or "no answer in time", SHOWN)
        # As it connects the client has no type of its own for this error of the protocol.
        trouble: Trouble = "not-allowed" if AUTHORIZATION_VIOLATION in words.lower() else "unreachable"
        return BrokerTrouble(trouble, f"{self.name} {what}: {words}")

    @property
    def is_forbidden(self) -> bool:
        """The server said so since it was asked last."""
        return bool(self._forbidden)

    async def payload_max_bytes(self) -> int:
        async with self.asked("was asked how large a message may be"):
            return (await self._opened()).max_payload

    async def _opened(self) -> Client:
        if self._client is not None and self._client.is_connected:
            return self._client
        await self.close()
        client = self._client = Client()
        try:
            async with asyncio.timeout(self.timeout_s):
                await client.connect(
                    self._url,
                    name="pagereeve",
                    error_cb=self._hear,
                    allow_reconnect=False,
                    connect_timeout=max(1, int(self.timeout_s)),
                    max_reconnect_attempts=1,
                    reconnect_time_wait=1,
                    ping_interval=PING_EVERY_S,
                    tls=self._shown.tls,
                    **self._shown.secrets,
                )
        except BaseException:
            await self.close()
            raise
        return client

    async def _hear(self, error: Exception) -> None:
        self._said = one_line(str(error) or type(error).__name__, SHOWN)
        if PERMISSIONS_ERR in str(error).lower():
            self._forbidden = self._said

    async def close(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            with suppress(nats.errors.Error, OSError, TimeoutError):
                async with asyncio.timeout(CLOSE_WITHIN_S):
                    await client.close()
