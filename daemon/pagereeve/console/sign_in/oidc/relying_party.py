"""A client of an OpenID provider: the authorization code flow (OpenID Connect Core 1.0 section 3.1) with PKCE
(RFC 7636), as RFC 9700 has it done. What it learns of a person is the subject alone: only ``openid`` is asked for.
"""

from __future__ import annotations

import asyncio
import hmac
import ssl
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Self
from urllib.parse import parse_qsl, quote_plus

import httpx2
from authlib.common.urls import add_params_to_uri
from authlib.integrations.httpx_client import AsyncOAuth2Client, OAuthError
from authlib.oauth2.rfc6749.parameters import prepare_grant_uri
from authlib.oauth2.rfc7636 import create_s256_code_challenge
from pydantic import SecretStr

from pagereeve.console.sign_in.oidc.id_tokens import Expected, NotTrusted, UnknownKey, proven_subject
from pagereeve.console.sign_in.oidc.outcomes import NotSignedIn
from pagereeve.console.sign_in.oidc.provider import Provider, ProviderMetadata, reason_of
from pagereeve.console.sign_in.oidc.transport import ANSWER_S, client_options, trusted
from pagereeve.console.sign_in.oidc.under_way import SignInsUnderWay, UnderWay
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.secrets import secret_from_file
from pagereeve.settings.oidc import OidcSettings

SCOPE: Final = "openid"
FIELDS_MAX: Final = 20
QUERY_MAX_BYTES: Final = 8_192
ID_TOKEN_MAX: Final = 4_096
"""A longer one is not kept, since it would make an address that servers refuse (RFC 9110 section 4.1: 8,000 octets)."""
AT_ONCE: Final = 16
"""So many wait for the provider; others are asked to come again."""


@dataclass(frozen=True, slots=True)
class Begun:
    """``address`` is where the browser goes next, ``browser`` what its cookie holds until it is back."""

    address: str
    browser: str = field(repr=False)


@dataclass(frozen=True, slots=True)
class Proven:
    """``then`` is where the browser was to go when it began. ``id_token`` is what proved it, "" where it is too long
    to be shown again.
    """

    issuer: str
    subject: str
    then: str
    id_token: str = field(default="", repr=False)


class RelyingParty:
    """``monotonic_us`` never steps, ``wall_us`` is the clock that the provider has too."""

    def __init__(
        self,
        settings: OidcSettings,
        secret: SecretStr,
        tls: ssl.SSLContext,
        monotonic_us: Callable[[], int],
        wall_us: Callable[[], int],
    ) -> None:
        self.settings = settings
        self._secret = secret
        self._tls = tls
        self._monotonic_us = monotonic_us
        self._wall_us = wall_us
        self._provider = Provider(settings, tls, lambda: monotonic_us() / SECOND_US)
        self._waiting = 0
        self.under_way = SignInsUnderWay()
        self.going_out = SignInsUnderWay()

    @classmethod
    def of(cls, settings: OidcSettings, monotonic_us: Callable[[], int], wall_us: Callable[[], int]) -> Self:
        """Reads files. Raises NoSecret."""
        secret = SecretStr(secret_from_file(settings.client_secret_file))
        return cls(settings, secret, trusted(settings.ca_file), monotonic_us, wall_us)

    async def begin(self, then: str) -> Begun:
        """``then`` is a path of ours. Raises NotSignedIn."""
        with _Turn(self, then):
            metadata = await self._provider.metadata()
        one = UnderWay(then, self._monotonic_us(), self._wall_us() // SECOND_US)
        address = prepare_grant_uri(
            metadata.authorization_endpoint,
            self.settings.client_id,
            "code",
            redirect_uri=self.settings.redirect_uri,
            scope=SCOPE,
            state=self.under_way.begin(one),
            nonce=one.nonce,
            code_challenge=create_s256_code_challenge(one.verifier),
            code_challenge_method="S256",
        )
        return Begun(str(address), one.browser)

    async def came_back(self, query: bytes, browser: str) -> Proven:
        """``query`` as the browser brought it, ``browser`` what its cookie holds. Raises NotSignedIn."""
        fields = _fields(query)
        one = self.under_way.take(fields.get("state", ""), self._monotonic_us())
        if one is None:
            raise NotSignedIn("stale", "nothing of that state is under way")
        if not one.is_of(browser):
            raise NotSignedIn("stale", "another browser began it", one.then)
        with _Turn(self, one.then):
            metadata = await self._provider.metadata()
            self._require_issuer(fields, metadata, one.then)
            if "error" in fields:  # OpenID Connect Core 1.0 section 3.1.2.6
                raise NotSignedIn("refused", f"the provider said {fields['error'][:60]!r}", one.then)
            token = await self._token(metadata, fields.get("code", ""), one)
            subject = await self._subject(token, one)
        id_token = str(token["id_token"])
        return Proven(self.settings.issuer, subject, one.then, id_token if len(id_token) <= ID_TOKEN_MAX else "")

    async def sign_out(self, id_token: str) -> str:
        """Where a browser goes to be signed out there too (OpenID Connect RP-Initiated Logout 1.0 section 2); "" where
        the provider has no such place. Raises NotSignedIn.
        """
        with _Turn(self, ""):
            endpoint = (await self._provider.metadata()).sign_out_address
        if not endpoint:
            return ""
        asked = {
            "id_token_hint": id_token,
            "client_id": self.settings.client_id,
            "post_logout_redirect_uri": self.settings.signed_out_uri,
            "state": self.going_out.begin(UnderWay("", self._monotonic_us(), self._wall_us() // SECOND_US)),
        }
        return str(add_params_to_uri(endpoint, [(name, value) for name, value in asked.items() if value]))

    def came_out(self, query: bytes) -> bool:
        """Was the browser that comes with ``query`` sent to be signed out, and not back yet (section 3)?"""
        try:
            state = _fields(query).get("state", "")
        except NotSignedIn:
            return False
        return self.going_out.take(state, self._monotonic_us()) is not None

    def _require_issuer(self, fields: Mapping[str, str], metadata: ProviderMetadata, then: str) -> None:
        """RFC 9207 section 2.4: the answer of another issuer is a mix-up (RFC 9700 section 4.4)."""
        named = fields.get("iss")
        if named is None and metadata.authorization_response_iss_parameter_supported:
            raise NotSignedIn("untrusted", "the answer names no issuer, as the provider says that it does", then)
        if named is not None and not hmac.compare_digest(named.encode(), metadata.issuer.encode()):
            raise NotSignedIn("untrusted", "the answer names another issuer", then)

    async def _token(self, metadata: ProviderMetadata, code: str, one: UnderWay) -> Mapping[str, Any]:
        """RFC 6749 section 4.1.3, RFC 7636 section 4.5. Raises NotSignedIn."""
        if not code:
            raise NotSignedIn("untrusted", "the answer has no code", one.then)
        try:
            async with asyncio.timeout(ANSWER_S), self._client(metadata) as client:
                found = await client.fetch_token(
                    metadata.token_endpoint, grant_type="authorization_code", code=code, code_verifier=one.verifier
                )
        except OAuthError as error:  # section 5.2: a code that was used before, or is of somebody else
            raise NotSignedIn("refused", f"the provider said {str(error.error)[:60]!r}", one.then) from None
        except TimeoutError:
            raise NotSignedIn("away", f"the provider gave no token within {ANSWER_S:g} s", one.then) from None
        except (httpx2.HTTPError, httpx2.InvalidURL, OSError) as error:
            raise NotSignedIn("away", f"the provider gave no token: {reason_of(error)}", one.then) from None
        except (ValueError, TypeError, RecursionError):
            raise NotSignedIn("away", "what the provider gave in place of a token is not JSON", one.then) from None
        return dict(found)

    async def _subject(self, token: Mapping[str, Any], one: UnderWay) -> str:
        """Raises NotSignedIn."""
        id_token = token.get("id_token")
        if not isinstance(id_token, str):
            raise NotSignedIn("untrusted", "the provider gave no ID token", one.then)
        now_s = self._wall_us() // SECOND_US
        expected = Expected(self.settings.issuer, self.settings.client_id, one.nonce, one.begun_wall_s, now_s)
        access_token = token.get("access_token")
        try:
            try:
                return proven_subject(id_token, access_token, await self._provider.keys(), expected)
            except UnknownKey:
                # The provider may sign with a newer key than it did (OpenID Connect Core 1.0 section 10.1.1).
                return proven_subject(id_token, access_token, await self._provider.newer_keys(), expected)
        except NotTrusted as error:
            raise NotSignedIn("untrusted", str(error), one.then) from None

    def _client(self, metadata: ProviderMetadata) -> AsyncOAuth2Client:
        """For one exchange.

        In Basic both are written as a form's (RFC 6749 section 2.3.1), which the library leaves to us
        (authlib/authlib#594): else a secret with "+" or "%" is another one (requests/requests-oauthlib#568).
        """
        secret, name = self._secret.get_secret_value(), self.settings.client_id
        basic = metadata.auth_method == "client_secret_basic"
        return AsyncOAuth2Client(
            client_id=quote_plus(name) if basic else name,
            client_secret=quote_plus(secret) if basic else secret,
            token_endpoint_auth_method=metadata.auth_method,
            redirect_uri=self.settings.redirect_uri,
            **client_options(self._tls),
        )

    def enter(self, then: str) -> None:
        if self._waiting >= AT_ONCE:
            raise NotSignedIn("wait", f"{AT_ONCE} wait for the provider already", then)
        self._waiting += 1

    def leave(self) -> None:
        self._waiting -= 1


@dataclass(frozen=True, slots=True)
class _Turn:
    """One of AT_ONCE; an error that names no ``then`` is given it."""

    party: RelyingParty
    then: str

    def __enter__(self) -> None:
        self.party.enter(self.then)

    def __exit__(self, _: object, error: BaseException | None, __: object) -> None:
        self.party.leave()
        if isinstance(error, NotSignedIn):
            error.then = error.then or self.then


def _fields(query: bytes) -> dict[str, str]:
    """Raises NotSignedIn. RFC 6749 section 3.1: none comes twice."""
    try:
        text = query[: QUERY_MAX_BYTES + 1].decode("ascii")
        pairs = parse_qsl(text, keep_blank_values=True, max_num_fields=FIELDS_MAX, errors="strict")
    except ValueError:
        raise NotSignedIn("stale", "the answer can't be read") from None
    fields = dict(pairs)
    if len(query) > QUERY_MAX_BYTES:
        raise NotSignedIn("stale", "the answer is too long")
    if len(fields) != len(pairs):
        raise NotSignedIn("stale", "the answer names something twice")
    return fields
