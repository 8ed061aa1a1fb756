"""People at a browser: who they are, by the cookie of their session or by a proxy in front, before anything is asked.

An ASGI layer around all that HTTP serves. Whoever shows a token, a signature or a certificate is none of its business:
that counts, and a cookie beside it does not.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import Final
from urllib.parse import quote, urlencode

import structlog

from pagereeve.app.installing.upload import UPLOAD_MAX_BYTES, UPLOAD_S, takes_upload
from pagereeve.app.oidc import OidcParty, WallClock
from pagereeve.app.oidc_sign_in import CameBack, GoneOut, OidcSignIn, SentOn
from pagereeve.app.request_body import read_body
from pagereeve.app.see_other import see_other
from pagereeve.console.api.asker import BY_ADDRESS, CSRF_FIELD, CSRF_HEADER, LEFT, SESSION, STRANGER, SignedIn
from pagereeve.console.sign_in.attempts import Attempts
from pagereeve.console.sign_in.counting import SignInCounts
from pagereeve.console.sign_in.multipart import is_multipart, parts_of, texts_of
from pagereeve.console.sign_in.passwords import Passwords
from pagereeve.console.sign_in.proxied import user_of_proxy
from pagereeve.console.sign_in.requests import (
    FIRST_PAGE,
    HIDE_NAMES,
    POSTED,
    SAFE_METHODS,
    SHOW_NAMES,
    SIGN_IN,
    cookie_name,
    cookie_of,
    form_of,
    is_by_itself,
    is_foreign,
    is_form,
    is_htmx,
    own_path,
    page_before,
    set_cookie,
    values_of,
)
from pagereeve.console.sign_in.sessions import NAMES_US, Session, Sessions
from pagereeve.console.sign_in.streams import while_allowed
from pagereeve.domain.credentials.book import Credential, NotKnown
from pagereeve.domain.credentials.callers import Caller
from pagereeve.domain.facts.names_shown import NamesShown
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.feeds.buckets import Buckets
from pagereeve.feeds.http.answers import (
    CALLER,
    CLOSE,
    AsgiApp,
    Message,
    Receive,
    Scope,
    Send,
    refusal_answer,
    send_answer,
)
from pagereeve.feeds.http.callers import HttpCallers, shown_by
from pagereeve.feeds.http.quotas import peer_of_scope
from pagereeve.feeds.refusals import Refusal
from pagereeve.feeds.stats import FeedStats
from pagereeve.ports.journal import FactWrites, JournalUnavailable
from pagereeve.settings.console import ConsoleSettings
from pagereeve.telemetry.pages import OWN_PATHS, SIGNPOST_PATH

BODY_MAX_BYTES: Final = 65_536
BODY_S: Final = 10.0
# Each showing is a fact that stays: so many at once, and one a minute.
SHOWINGS: Final = (1 / 60, 10.0)
Header = tuple[bytes, bytes]
_API: Final = "/v1/"
_STATIC: Final = "/static/"
_HTML: Final = b"text/html"

log = structlog.get_logger("pagereeve.sign-in")


class SignIn:
    """``settings`` gives those in force."""

    def __init__(
        self,
        web: AsgiApp,
        callers: HttpCallers,
        stats: FeedStats,
        store: FactWrites,
        clock: WallClock,
        settings: Callable[[], ConsoleSettings],
        counts: SignInCounts | None = None,
        passwords: Passwords | None = None,
    ) -> None:
        self._web = web
        self._callers = callers
        self._stats = stats
        self._store = store
        self._clock = clock
        self._settings = settings
        self._attempts = Attempts(callers, passwords or Passwords(), clock)
        self._showings = Buckets(*SHOWINGS)
        self.sessions = Sessions()
        self.counts = counts or SignInCounts()
        party = OidcParty(settings, clock)
        self._oidc = OidcSignIn(party, callers, self.counts, clock)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or CALLER in scope or _shows_something(scope):
            await self._web(scope, receive, send)
            return
        try:
            await self._answer(scope, receive, send)
        except Refusal as refusal:
            refusal.let_go()
            self._stats.refused[refusal.reason] += 1
            await send_answer(refusal_answer(refusal, 1, CLOSE), send)

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        path, method = scope["path"], scope["method"]
        session = self._session(scope)
        if self._oidc.is_for(scope):
            await self._provided(await self._oidc.answered(scope), scope, receive, send, session)
        elif path == SIGN_IN and method == "POST":
            await self._sign_in(scope, receive, send, session)
        elif path in POSTED:
            await self._change(scope, receive, send, session)
        elif session is not None:
            await self._signed_in(session, scope, receive, send)
        elif self._callers.book and _is_page(scope):
            await (_load_anew(send) if is_htmx(scope["headers"]) else _go(send, sign_in_address(_target(scope))))
        else:
            await self._web(scope, receive, send)

    # Who it is

    def _session(self, scope: Scope) -> Session | None:
        """Of an credential that is still what it was when its holder signed in: what is revoked is out at once."""
        headers, now_us = scope["headers"], self._clock.now_us()
        name = user_of_proxy(self._settings(), peer_address(scope), headers)
        if name is not None:
            credential = self._callers.book.for_sign_in(name)
            if credential is None or not credential.is_proxied or not self._is_valid(credential):
                self._callers.failures["unknown"] += 1
                return None
            begun = partial(self.counts.signed_in, credential, peer_of_scope(scope))
            return self.sessions.of_proxy(name, credential.digest, now_us, begun)
        cookie = cookie_of(headers, cookie_name(secure=self._is_secure(scope)))
        session = self.sessions.of_token(cookie, now_us, by_itself=is_by_itself(scope["method"], headers))
        if session is None:
            return None
        credential = self._callers.book.for_sign_in(session.name)
        if credential is None or credential.digest != session.kept or not self._is_valid(credential):
            self.sessions.end(session)
            return None
        return session

    def _is_valid(self, credential: Credential) -> bool:
        try:
            self._callers.of_sign_in(credential)
        except NotKnown:
            return False
        return True

    def _caller(self, session: Session) -> tuple[Caller, SignedIn]:
        """Names are among its acts while they are shown."""
        credential = self._callers.book.for_sign_in(session.name)
        assert credential is not None  # noqa: S101 - looked up with its session, in this turn of the loop
        caller, now_us = credential.caller, self._clock.now_us()
        may_show, shown = caller.may("names"), session.shows_names(now_us)
        until_us = session.names_until_us if may_show and shown else None
        if until_us is None:
            caller = replace(caller, acts=caller.acts - {"names"})
        return caller, SignedIn(session.form_token, session.by_proxy, may_show, until_us)

    def _is_secure(self, scope: Scope) -> bool:
        """Does the browser speak TLS, with us or with the proxy that we trust?"""
        if scope["scheme"] == "https":
            return True
        trusted = self._settings().trusts(peer_address(scope))
        return trusted and values_of(scope["headers"], b"x-forwarded-proto") == [b"https"]

    # What it asks

    async def _signed_in(self, session: Session, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["method"] not in SAFE_METHODS:
            receive = await self._proven(session, scope, receive)
        caller, told = self._caller(session)
        known = {**scope, CALLER: caller, SESSION: told}
        await self._web(known, receive, while_allowed(send, lambda: self._still(session, caller)))

    def _still(self, session: Session, caller: Caller) -> bool:
        """Would the same be answered now as when it was asked?"""
        credential = self._callers.book.for_sign_in(session.name)
        valid = credential is not None and credential.digest == session.kept and self._is_valid(credential)
        return valid and self.sessions.holds(session, self._clock.now_us()) and self._caller(session)[0] == caller

    async def _proven(self, session: Session, scope: Scope, receive: Receive) -> Receive:
        """What changes something must come from a page of ours. The body, to be read anew. Raises Refusal."""
        self._require_own(scope)
        headers = scope["headers"]
        shown = values_of(headers, CSRF_HEADER.encode())
        fields: Mapping[str, str] = {}
        if is_form(headers):
            body = await read_body(receive, BODY_MAX_BYTES, BODY_S)
            receive = _again(body, receive)
            fields = form_of(body) or {}
        elif takes_upload(scope["path"]) and is_multipart(headers) and self._caller(session)[0].may("install"):
            body = await read_body(receive, UPLOAD_MAX_BYTES, UPLOAD_S)
            receive = _again(body, receive)
            fields = texts_of(parts_of(headers, body) or {})
        token = shown[0].decode("latin-1") if len(shown) == 1 else "" if shown else fields.get(CSRF_FIELD, "")
        if not session.is_proven_by(token):
            problem = "the form token of this session is missing or wrong; load the page again, and send its form"
            raise Refusal("forbidden", CSRF_HEADER, problem)
        return receive

    def _require_own(self, scope: Scope) -> None:
        if is_foreign(scope["headers"], tls=scope["scheme"] == "https"):
            raise Refusal("forbidden", "Origin", "a page of another origin sent this; go to our own page, and send it")

    async def _sign_in(self, scope: Scope, receive: Receive, send: Send, before: Session | None) -> None:
        self._require_own(scope)
        if not is_form(scope["headers"]):
            raise Refusal("wrong-media-type", "Content-Type", "is no form; send name and password as a form does")
        fields = form_of(await read_body(receive, BODY_MAX_BYTES, BODY_S)) or {}
        then = own_path(fields.get("then", ""))
        found = await self._attempts.tried(peer_of_scope(scope), fields.get("name", ""), fields.get("password", ""))
        if not isinstance(found, Credential):
            known = self._callers.book.for_sign_in(fields.get("name", ""))
            self.counts.failed("password", found, peer_of_scope(scope), known)
            await _go(send, sign_in_address(then, found))
            return
        await self._begin(scope, send, found, then, before)

    async def _begin(
        self,
        scope: Scope,
        send: Send,
        credential: Credential,
        then: str,
        before: Session | None,
        *cookies: bytes,
        id_token: str = "",
    ) -> None:
        if before is not None:
            self.sessions.end(before)
        token = self.sessions.begin(credential.caller.name, credential.digest, self._clock.now_us(), id_token)
        self.counts.signed_in(credential, peer_of_scope(scope))
        await _go(send, then, set_cookie(token, secure=self._is_secure(scope)), *cookies)

    async def _provided(
        self, found: SentOn | CameBack | GoneOut, scope: Scope, receive: Receive, send: Send, before: Session | None
    ) -> None:
        """What an OpenID provider said, or where it is."""
        if isinstance(found, GoneOut):
            await self._gone(found, scope, receive, send, before)
        elif isinstance(found, SentOn):
            await _go(send, found.address or sign_in_address(found.then, found.failed), found.cookie)
        elif found.credential is not None:
            await self._begin(scope, send, found.credential, found.then, before, found.cookie, id_token=found.id_token)
        else:  # the page says which subject it was: in an address anybody could write another one
            page = {**_sign_in_page(scope), STRANGER: found.subject}
            await self._web(page, receive, _with(send, (b"set-cookie", found.cookie)))

    async def _gone(
        self, found: GoneOut, scope: Scope, receive: Receive, send: Send, session: Session | None, *more: Header
    ) -> None:
        """By a page that goes on to the provider itself: a form's own redirects may lead nowhere but here (CSP 3,
        form-action). Browsers go where Refresh says (HTML Standard, "shared declarative refresh steps").
        """
        if session is not None:  # signed in again meanwhile
            await _go(send, FIRST_PAGE)
        elif found.told is None or found.told in BY_ADDRESS:
            await _go(send, f"{SIGN_IN}?out={found.told}" if found.told else SIGN_IN, *(one for _, one in more))
        else:
            leads = [(b"refresh", f"0; url={found.address}".encode("latin-1"))] if found.address else []
            await self._web({**_sign_in_page(scope), LEFT: found.told}, receive, _with(send, *more, *leads))

    async def _change(self, scope: Scope, receive: Receive, send: Send, session: Session | None) -> None:
        """What a form of the frame asks for."""
        if scope["method"] != "POST":
            raise Refusal("wrong-method", "method", f"{scope['method'][:20]} is not served here; send POST")
        self._require_own(scope)
        if session is None:
            # No cookie is removed: a page elsewhere, whose requests come without ours, would sign people out so.
            await _go(send, sign_in_address(page_before(scope["headers"])))
            return
        await self._proven(session, scope, receive)
        back = page_before(scope["headers"])
        if scope["path"] == SHOW_NAMES:
            await self._show_names(session)
            await _go(send, back)
        elif scope["path"] == HIDE_NAMES:
            session.names_until_us = 0
            await _go(send, back)
        else:
            await self._sign_out(session, scope, receive, send)

    async def _sign_out(self, session: Session, scope: Scope, receive: Receive, send: Send) -> None:
        """Here first, whatever comes of it at the provider."""
        self.sessions.end(session)
        gone = GoneOut(None)
        credential = self._callers.book.for_sign_in(session.name)
        if credential is not None:  # whose session it was
            self.counts.signed_out(credential)
            gone = await self._oidc.signed_out(credential, session.id_token)
        cookie = (b"set-cookie", set_cookie("", secure=self._is_secure(scope)))
        await self._gone(gone, scope, receive, send, None, cookie)

    async def _show_names(self, session: Session) -> None:
        """A fact first, then the names. Raises Refusal."""
        credential = self._callers.book.for_sign_in(session.name)
        if credential is None or not credential.caller.may("names"):
            problem = f"needs the act names; the credential {session.name} does not have it"
            raise Refusal("forbidden", "names", problem, "names")
        if self._showings.take(session.name, self._clock.monotonic_us() / SECOND_US):
            problem = "names were shown too often in a short time; ask again later"
            raise Refusal("too-many-requests", "names", problem, retry_after_s=round(1 / SHOWINGS[0]))
        now_us = self._clock.now_us()
        shown = NamesShown(now_us, session.name, now_us + NAMES_US)
        try:
            await self._store.append(shown)
        except JournalUnavailable:
            problem = "it can't be stored now that names are shown, so they stay hidden; ask again later"
            raise Refusal("journal-unavailable", "journal", problem) from None
        session.names_until_us = shown.until_us
        log.info("names are shown", credential=session.name)


def sign_in_address(then: str, failed: str = "") -> str:
    told = {"then": then} if own_path(then) == then else {}
    return f"{SIGN_IN}?{urlencode({**told, **({'failed': failed} if failed else {})})}".rstrip("?")


def peer_address(scope: Scope) -> str:
    client = scope.get("client")
    return client[0] if client else ""


def _shows_something(scope: Scope) -> bool:
    shown = shown_by(scope["headers"])
    return shown.authorization is not None or shown.signed is not None


def _is_page(scope: Scope) -> bool:
    """Does a browser ask for a page for people that is not open to anybody?"""
    path = scope["path"]
    if scope["method"] not in {"GET", "HEAD"} or path.startswith((_API, _STATIC)) or path == SIGN_IN:
        return False
    if path in OWN_PATHS and path != SIGNPOST_PATH:
        return False
    return is_htmx(scope["headers"]) or any(_HTML in value for value in values_of(scope["headers"], b"accept"))


def _target(scope: Scope) -> str:
    target: bytes = scope.get("raw_path") or quote(scope["path"]).encode()
    if scope["query_string"]:
        target += b"?" + scope["query_string"]
    return target.decode("latin-1")


async def _go(send: Send, where: str, *cookies: bytes) -> None:
    """``where`` is a path of ours, or where the provider of the settings is."""
    more = [(b"referrer-policy", b"same-origin"), *((b"set-cookie", one) for one in cookies if one)]
    await see_other(send, where, more)


def _sign_in_page(scope: Scope) -> dict[str, object]:
    """Shown at whatever address, and to nobody in particular."""
    kept = [pair for pair in scope["headers"] if pair[0] in {b"host", b"accept"}]
    page = {"method": "GET", "path": SIGN_IN, "raw_path": SIGN_IN.encode(), "query_string": b"", "headers": kept}
    return {**scope, **page}


def _with(send: Send, *headers: Header) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            message = {**message, "headers": [*message["headers"], *headers]}
        await send(message)

    return sending


async def _load_anew(send: Send) -> None:
    """A part of a page was asked for, and the session is over: the page is loaded anew, and leads to signing in
    (htmx.org, reference, "HX-Refresh").
    """
    headers = [(b"hx-refresh", b"true"), (b"content-length", b"0"), (b"cache-control", b"no-store")]
    await send({"type": "http.response.start", "status": 401, "headers": headers})
    await send({"type": "http.response.body", "body": b""})


def _again(body: bytes, receive: Receive) -> Receive:
    """For whoever reads the request next: its whole body first, then what comes."""
    told = False

    async def receiving() -> dict[str, object]:
        nonlocal told
        if told:
            return dict(await receive())
        told = True
        return {"type": "http.request", "body": body, "more_body": False}

    return receiving
