"""``/sign-in/oidc`` and ``/sign-in/oidc/back``: a browser on its way to an OpenID provider, and when it comes back."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

import structlog

from pagereeve.app.oidc import OidcParty
from pagereeve.console.api.asker import Left
from pagereeve.console.sign_in.counting import SignInCounts
from pagereeve.console.sign_in.oidc.outcomes import NotSignedIn
from pagereeve.console.sign_in.requests import cookie_name, cookie_of, form_of, is_foreign, own_path, set_cookie
from pagereeve.domain.credentials.book import Credential, NotKnown
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.feeds.buckets import Buckets
from pagereeve.feeds.http.answers import Scope
from pagereeve.feeds.http.callers import HttpCallers
from pagereeve.feeds.http.quotas import peer_of_scope
from pagereeve.ports.clock import Clock
from pagereeve.settings.oidc import BACK, OUT, START, OidcSettings

if TYPE_CHECKING:
    from pagereeve.console.sign_in.oidc.relying_party import Proven

COOKIE: Final = "pagereeve-oidc"
COOKIE_S: Final = 600
_PATHS: Final = frozenset({START, BACK, OUT})
log = structlog.get_logger("pagereeve.sign-in")
# Common practice, no source. Nothing can be guessed here, and a whole office may come through one proxy in the morning.
EACH_PEER: Final = (1 / 2, 100.0)


@dataclass(frozen=True, slots=True)
class SentOn:
    """To the provider, or back to our own page with ``failed``."""

    address: str = ""
    cookie: bytes = b""
    then: str = ""
    failed: str = ""


@dataclass(frozen=True, slots=True)
class CameBack:
    """``credential`` is whose the subject is; None: nobody's, and a page shows the subject to the person."""

    credential: Credential | None
    subject: str
    then: str
    cookie: bytes
    id_token: str = field(default="", repr=False)


@dataclass(frozen=True, slots=True)
class GoneOut:
    """Signed out here. ``told`` is what came of it at the provider, ``address`` where the browser goes on ("": no
    further).
    """

    told: Left | None
    address: str = field(default="", repr=False)


class OidcSignIn:
    def __init__(self, party: OidcParty, callers: HttpCallers, counts: SignInCounts, clock: Clock) -> None:
        self._party = party
        self._callers = callers
        self._counts = counts
        self._clock = clock
        self._peers = Buckets(*EACH_PEER)

    def is_for(self, scope: Scope) -> bool:
        return scope["path"] in _PATHS and scope["method"] == "GET" and self._party.settings is not None

    async def answered(self, scope: Scope) -> SentOn | CameBack | GoneOut:
        """Where ``is_for``."""
        settings = self._party.settings
        assert settings is not None  # noqa: S101 - is_for
        try:
            if self._peers.take(peer_of_scope(scope), self._clock.monotonic_us() / SECOND_US):
                raise NotSignedIn("wait", "too many attempts")  # noqa: TRY301 - as any other failure
            match scope["path"]:
                case path if path == START:
                    return await self._start(scope, settings)
                case path if path == BACK:
                    return await self._back(scope, settings)
            return await self._out(scope, settings)
        except NotSignedIn as error:
            self._counts.failed("oidc", error.why, peer_of_scope(scope), detail=error.detail)
            return SentOn(then=error.then, failed=error.why, cookie=_cookie("", settings))

    async def _start(self, scope: Scope, settings: OidcSettings) -> SentOn:
        """From a page of ours alone, as the sign-in page is: nobody is signed in because a page elsewhere wants it
        (RFC 9700 section 4.7).
        """
        then = own_path((form_of(scope["query_string"]) or {}).get("then", ""))
        if is_foreign(scope["headers"], tls=scope["scheme"] == "https"):
            return SentOn(then=then)
        begun = await (await self._party.ready(settings)).begin(then)
        return SentOn(begun.address, _cookie(begun.browser, settings))

    async def _out(self, scope: Scope, settings: OidcSettings) -> GoneOut:
        """Who comes without having been sent is told nothing: anybody can write an address."""
        was_sent = (await self._party.ready(settings)).came_out(scope["query_string"])
        return GoneOut("both" if was_sent else None)

    async def signed_out(self, credential: Credential, id_token: str) -> GoneOut:
        """After ours has ended, whatever comes of it there."""
        settings = self._party.settings
        if settings is None or not credential.is_oidc:
            return GoneOut(None)
        if not settings.sign_out_there:
            return GoneOut("here")
        try:
            address = await (await self._party.ready(settings)).sign_out(id_token)
        except NotSignedIn as error:
            log.warning("nobody was signed out at the provider", why=error.why, detail=error.detail)
            return GoneOut("away")
        return GoneOut("going", address) if address else GoneOut("here")

    async def _back(self, scope: Scope, settings: OidcSettings) -> SentOn | CameBack:
        browser = cookie_of(scope["headers"], cookie_name(secure=_is_secure(settings), base=COOKIE))
        proven = await (await self._party.ready(settings)).came_back(scope["query_string"], browser)
        # Looked up now: while the provider was asked, a credential may have been revoked.
        credential = self._callers.book.of_subject(proven.issuer, proven.subject)
        if credential is None:
            self._callers.failures["unknown"] += 1
            self._counts.failed("oidc", "unknown", peer_of_scope(scope))
            return CameBack(None, proven.subject, proven.then, _cookie("", settings))
        return self._of_credential(scope, settings, proven, credential)

    def _of_credential(
        self, scope: Scope, settings: OidcSettings, proven: Proven, credential: Credential
    ) -> SentOn | CameBack:
        try:
            self._callers.of_sign_in(credential)
        except NotKnown as error:
            self._callers.failures[error.failure] += 1
            self._counts.failed("oidc", "over", peer_of_scope(scope), credential)
            return SentOn(then=proven.then, failed="over", cookie=_cookie("", settings))
        kept = proven.id_token if settings.sign_out_there else ""
        return CameBack(credential, proven.subject, proven.then, _cookie("", settings), kept)


def _is_secure(settings: OidcSettings) -> bool:
    return urlsplit(settings.public_address).scheme == "https"


def _cookie(value: str, settings: OidcSettings) -> bytes:
    """SameSite=Lax: it comes with the provider's redirect, which is a navigation (RFC 6265bis section 5.2)."""
    return set_cookie(value, secure=_is_secure(settings), base=COOKIE, lasts_s=COOKIE_S)
