"""What a provider says of itself, and its keys: asked for when they are needed, and kept for a while.

OpenID Connect Discovery 1.0 section 4. Keys change whenever the provider likes (Core 1.0 section 10.1.1).
"""

from __future__ import annotations

import asyncio
import json
import ssl
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Generic, TypeVar

import httpx2
from pydantic import BaseModel, ConfigDict, ValidationError

from pagereeve.console.sign_in.oidc.id_tokens import ALGORITHMS, Key, NotTrusted, keys_of
from pagereeve.console.sign_in.oidc.outcomes import NotSignedIn
from pagereeve.console.sign_in.oidc.transport import ANSWER_S, client_options
from pagereeve.settings.oidc import OidcSettings, is_secure

FRESH_S: Final = 3_600.0
KEPT_S: Final = 86_400.0
"""So long an answer of before serves where no new one comes."""
AGAIN_S: Final = 5.0
"""After a failure nobody asks again before: who signs in meanwhile does not wait for the same."""
KEYS_AGAIN_S: Final = 60.0
"""So often at most a key that nobody knows has the provider asked for others."""
WELL_KNOWN: Final = "/.well-known/openid-configuration"
Kept = TypeVar("Kept")


class ProviderMetadata(BaseModel):
    """OpenID Connect Discovery 1.0 section 3, and RFC 9207 section 3. What is not needed is passed over."""

    model_config = ConfigDict(frozen=True, extra="ignore", hide_input_in_errors=True)

    issuer: str
    authorization_endpoint: str
    token_endpoint: str
    jwks_uri: str
    id_token_signing_alg_values_supported: tuple[str, ...] = ()
    token_endpoint_auth_methods_supported: tuple[str, ...] = ("client_secret_basic",)
    authorization_response_iss_parameter_supported: bool = False
    end_session_endpoint: str = ""

    @property
    def sign_out_address(self) -> str:
        """OpenID Connect RP-Initiated Logout 1.0 section 2.1; "" where it has none that is secure."""
        one = self.end_session_endpoint
        return one if is_secure(one) and one.isascii() and one.isprintable() and " " not in one else ""

    @property
    def auth_method(self) -> str:
        """How we show who we are at the token endpoint: as OpenID Connect Core 1.0 section 9 has it by default."""
        known = self.token_endpoint_auth_methods_supported
        return "client_secret_post" if "client_secret_basic" not in known else "client_secret_basic"


@dataclass(slots=True)
class _Cached(Generic[Kept]):
    """``fetch`` raises NotSignedIn. Only one asks at a time; what stood before serves for KEPT_S where it fails."""

    fetch: Callable[[], Awaitable[Kept]]
    monotonic_s: Callable[[], float]
    value: Kept | None = None
    got_s: float = float("-inf")
    tried_s: float = float("-inf")
    failed: str = ""
    lock: asyncio.Lock = field(default_factory=asyncio.Lock)

    async def get(self, longest_s: float = FRESH_S) -> Kept:
        """Not older than ``longest_s``, where the provider answers. Raises NotSignedIn."""
        async with self.lock:
            now_s = self.monotonic_s()
            if self.value is not None and now_s - self.got_s < longest_s:
                return self.value
            if not self.failed or now_s - self.tried_s >= AGAIN_S:
                self.tried_s = now_s
                try:
                    self.value, self.failed = await self.fetch(), ""
                    self.got_s = self.monotonic_s()
                except NotSignedIn as error:
                    self.failed, self.tried_s = error.detail, self.monotonic_s()
            if self.value is None or now_s - self.got_s >= KEPT_S:
                raise NotSignedIn("away", self.failed)
            return self.value


class Provider:
    def __init__(self, settings: OidcSettings, tls: ssl.SSLContext, monotonic_s: Callable[[], float]) -> None:
        self._settings = settings
        self._tls = tls
        self._metadata = _Cached(self._asked_metadata, monotonic_s)
        self._keys = _Cached(self._asked_keys, monotonic_s)

    async def metadata(self) -> ProviderMetadata:
        """Raises NotSignedIn."""
        return await self._metadata.get()

    async def keys(self) -> Sequence[Key]:
        """Raises NotSignedIn."""
        return await self._keys.get()

    async def newer_keys(self) -> Sequence[Key]:
        """Those of the last KEYS_AGAIN_S. Raises NotSignedIn."""
        return await self._keys.get(KEYS_AGAIN_S)

    async def _asked_metadata(self) -> ProviderMetadata:
        issuer = self._settings.issuer
        try:
            found = ProviderMetadata.model_validate(await self._json(issuer.rstrip("/") + WELL_KNOWN))
        except ValidationError as error:
            wrong = ", ".join(sorted({str(one["loc"][0]) if one["loc"] else "all" for one in error.errors()}))
            raise NotSignedIn("away", f"the provider's configuration is not what it must be: {wrong}") from None
        # Discovery section 4.3: exactly the issuer that was asked.
        if found.issuer != issuer:
            raise NotSignedIn("away", f"the provider names another issuer, {found.issuer[:200]!r}; correct the setting")
        for name in ("authorization_endpoint", "token_endpoint", "jwks_uri"):
            if not is_secure(getattr(found, name)):
                raise NotSignedIn("away", f"{name} of the provider is no address of https")
        told = found.id_token_signing_alg_values_supported
        if told and not set(told) & set(ALGORITHMS):
            raise NotSignedIn("away", f"the provider signs with none of {', '.join(ALGORITHMS)}")
        return found

    async def _asked_keys(self) -> Sequence[Key]:
        try:
            return keys_of(await self._json((await self.metadata()).jwks_uri))
        except NotTrusted as error:
            raise NotSignedIn("away", str(error)) from None

    async def _json(self, url: str) -> Any:
        """Raises NotSignedIn."""
        try:
            async with asyncio.timeout(ANSWER_S), httpx2.AsyncClient(**client_options(self._tls)) as client:
                answer = await client.get(url)
            if answer.status_code != httpx2.codes.OK:
                raise NotSignedIn("away", f"the provider answered {answer.status_code} for its configuration or keys")
            return json.loads(answer.content)
        except TimeoutError:
            raise NotSignedIn("away", f"the provider did not answer within {ANSWER_S:g} s") from None
        except (httpx2.HTTPError, httpx2.InvalidURL, OSError) as error:
            raise NotSignedIn("away", f"the provider can't be reached: {reason_of(error)}") from None
        except (ValueError, RecursionError):
            raise NotSignedIn("away", "the provider's answer is no JSON") from None


def reason_of(error: Exception) -> str:
    return f"{type(error).__name__} {error}".strip()[:200]
