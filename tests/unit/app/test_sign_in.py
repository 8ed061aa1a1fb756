"""Signing in, from the first cookie to the last, before the daemon's HTTP side as app/daemon.py puts it together."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

import httpx2
import pytest
from argon2 import PasswordHasher

from pagereeve.app.sign_in import SignIn
from pagereeve.console.api.asker import SESSION, headers_of
from pagereeve.console.api.context import ApiContext
from pagereeve.console.api.site import AskedSite
from pagereeve.console.application import make_console
from pagereeve.console.sign_in.passwords import Passwords
from pagereeve.console.sign_in.sessions import LONGEST_US, NAMES_US, UNUSED_US
from pagereeve.domain.credentials.book import Credential, CredentialBook
from pagereeve.domain.facts.facts import Fact
from pagereeve.domain.facts.names_shown import NamesShown
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.feeds.http.answers import CALLER, READER, Message, Receive, Scope, Send
from pagereeve.feeds.http.callers import HttpCallers
from pagereeve.feeds.http.endpoint import EventsEndpoint
from pagereeve.feeds.http.guarding import guarded_pages
from pagereeve.feeds.testing import LoopClock, MemoryIntake
from pagereeve.ports.journal import JournalUnavailable
from pagereeve.settings.console import ConsoleSettings
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.telemetry.pages import make_web
from tests.credentials import NOW_US, bearer, credential
from tests.journal_samples import started
from tests.signing_in import CHEAP, HTML, PASSWORD, Browser, account, proxied
from tests.telemetry_stub import StubTelemetry

ORIGIN = "http://pages.example:8731"
FORM = "application/x-www-form-urlencoded"
EVENT = {
    "specversion": "1.0",
    "id": "n-1",
    "source": "/panel",
    "type": "pagereeve.printer.noted.v1",
    "data": {"printer": "lib-1", "note": "moved"},
}


@dataclass
class HeldClock:
    at_us: int = NOW_US

    def now_us(self) -> int:
        return self.at_us

    def monotonic_us(self) -> int:
        return self.at_us

    async def sleep(self, seconds: float) -> None:
        raise NotImplementedError


@dataclass
class FullDisk:
    """As a journal that stores nothing."""

    async def append(self, _: Fact) -> Any:
        raise JournalUnavailable("full", "no-space")


@dataclass
class Site:
    """``client_address`` is where requests come from; ``scheme`` what the door speaks."""

    book: CredentialBook
    settings: ConsoleSettings = field(default_factory=ConsoleSettings)
    scheme: str = "http"
    client_address: tuple[str, int] = ("192.0.2.1", 4711)
    clock: HeldClock = field(default_factory=HeldClock)
    passwords: Passwords = CHEAP
    more_scope: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.journal = MemoryJournal()
        self.intake = MemoryIntake()
        self.callers = HttpCallers(self.clock.now_us, self.book)
        self.events = EventsEndpoint(self.intake, None, clock=LoopClock(), callers=self.callers)
        console = make_console(ApiContext(self.journal, AskedSite(), self.clock.now_us))

        async def questions(scope: Scope, receive: Receive, send: Send) -> None:
            """As the forwarder asks the query process."""
            told = [pair for pair in scope["headers"] if pair[0] == b"accept"]
            told += headers_of(scope[READER], scope.get(SESSION))
            await console({**scope, "headers": told}, receive, send)

        telemetry = StubTelemetry()

        def around(pages: Any) -> Any:
            return guarded_pages(pages, self.callers, self.events.stats)

        web = make_web(self.events, telemetry, telemetry, around, None, questions)
        self.sign_in = SignIn(
            web, self.callers, self.events.stats, self.journal, self.clock, lambda: self.settings, self.passwords
        )

    @asynccontextmanager
    async def browser(self, origin: str = ORIGIN) -> AsyncIterator[Browser]:
        async def served(scope: Scope, receive: Receive, send: Send) -> None:
            scope = {**scope, "client": self.client_address, "scheme": self.scheme, **self.more_scope}
            await self.sign_in(scope, receive, send)

        transport = httpx2.ASGITransport(app=served)
        async with httpx2.AsyncClient(transport=transport, trust_env=False) as client:
            yield Browser(client, origin)

    async def shown(self) -> list[NamesShown]:
        return [one.fact async for one in self.journal.facts("") if isinstance(one.fact, NamesShown)]


def site(*credentials: Credential, **more: Any) -> Site:
    return Site(CredentialBook(credentials), **more)


async def test_where_no_credential_was_ever_made_nobody_is_asked_to_sign_in() -> None:
    here = site()
    async with here.browser() as browser:
        page = await browser.get("/now")
        assert page.status_code == 200
        assert "nobody signed in, names hidden" in page.text
        assert "<form" not in page.text
        assert "Nobody needs to sign in" in (await browser.get("/sign-in")).text
        tried = await browser.sign_in("mara")
        assert tried.headers["location"] == "/sign-in?then=%2Fnow&failed=wrong"
        assert "set-cookie" not in tried.headers


async def test_a_browser_is_led_to_sign_in_and_back() -> None:
    here = site(account("mara"))
    async with here.browser() as browser:
        led = await browser.get("/findings?state=open&x=%2F")
        assert led.status_code == 303
        assert led.headers["location"] == "/sign-in?then=%2Ffindings%3Fstate%3Dopen%26x%3D%252F"
        form = await browser.get(led.headers["location"])
        assert form.status_code == 200
        assert 'name="then" value="/findings?state=open&amp;x=%2F"' in form.text
        assert "<nav" not in form.text
        assert (await browser.get("/static/console.css")).status_code == 200
        assert here.callers.failures == {}  # nobody failed yet

        signed = await browser.sign_in("mara", then="/now?x=1")
        assert (signed.status_code, signed.headers["location"]) == (303, "/now?x=1")
        cookie = signed.headers["set-cookie"]
        assert cookie.endswith("; Path=/; HttpOnly; SameSite=Lax")
        page = await browser.get("/now")
        assert page.status_code == 200
        assert "mara, names hidden" in page.text
        assert "Sign out" in page.text
        assert "Show names" not in page.text  # may not
        assert page.headers["cache-control"] == "no-store"
        assert "You are signed in as mara" in (await browser.get("/sign-in")).text
        assert here.callers.used == {"mara": NOW_US}


@pytest.mark.parametrize(
    ("path", "accept"),
    [("/v1/releases", HTML["accept"]), ("/metrics", HTML["accept"]), ("/now", "*/*"), ("/v1/changes", "")],
)
async def test_what_is_no_page_for_people_is_answered_as_ever(path: str, accept: str) -> None:
    async with site(account("mara")).browser() as browser:
        answer = await browser.get(path, accept=accept)
        assert answer.status_code == 401
        assert answer.headers["www-authenticate"].startswith("Bearer")


async def test_who_signed_in_may_what_the_account_may_and_nothing_else() -> None:
    async with site(account("mara", "read")).browser() as browser:
        await browser.sign_in("mara")
        assert (await browser.get("/v1/releases")).status_code == 200
        assert (await browser.get("/metrics")).status_code == 200
        assert (await browser.get("/v1/releases?person=u-1")).status_code == 403


WRONG: list[tuple[str, str]] = [
    ("mara", "four pages of rhubar"),
    ("mara", f"{PASSWORD} "),
    ("mara", ""),
    ("mara", "x" * 60_000),
    ("mara", f"{PASSWORD}\0"),
    ("mara\0", PASSWORD),
    ("Mara", PASSWORD),
    ("nobody", PASSWORD),
    ("", ""),
    ("n" * 60_000, PASSWORD),
    ("gone", PASSWORD),
    ("old", PASSWORD),
    ("juno", ""),
    ("juno", "proxied"),
    ("machine", bearer("machine").partition(" ")[2]),
]


@pytest.mark.parametrize(("name", "password"), WRONG)
async def test_who_is_not_known_learns_nothing(name: str, password: str) -> None:
    past = [account("gone", revoked_us=NOW_US - 1), account("old", expires_us=NOW_US)]
    here = site(account("mara"), proxied("juno"), credential("machine", "read"), *past)
    async with here.browser() as browser:
        answer = await browser.sign_in(name, password)
        assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in?then=%2Fnow&failed=wrong")
        assert "set-cookie" not in answer.headers
        assert sum(here.callers.failures.values()) == 1
        assert "do not belong together" in (await browser.get(answer.headers["location"])).text
        assert len(here.sign_in.sessions) == 0


async def test_a_name_that_nobody_has_costs_what_one_that_is_costs() -> None:
    """Counted, not timed: each attempt is one comparison at the same cost."""
    compared: list[str] = []

    class Watched(PasswordHasher):
        def verify(self, hash: str | bytes, password: str | bytes) -> Any:  # noqa: A002 - the library's word
            compared.append(str(hash)[:20])
            return super().verify(hash, password)

    passwords = Passwords(Watched(time_cost=1, memory_cost=8, parallelism=1))
    here = site(account("mara"), account("gone", revoked_us=1), passwords=passwords)
    async with here.browser() as browser:
        for name in ("mara", "nobody", "gone"):
            await browser.sign_in(name, "not the password of anybody")
    assert len(compared) == 3
    assert len(set(compared)) == 1


async def test_signing_in_makes_a_new_session_whatever_cookie_came() -> None:
    """Fixation: what somebody put into the browser before opens nothing afterwards."""
    here = site(account("mara"), account("juno"))
    async with here.browser() as browser:
        browser.cookie = "pagereeve-session=" + "x" * 43
        await browser.sign_in("mara")
        first = browser.cookie
        assert "x" * 43 not in first
        await browser.sign_in("juno")
        assert browser.cookie != first
        assert "juno" in (await browser.get("/now")).text
        browser.cookie = first  # the one before is over
        assert (await browser.get("/now")).status_code == 303


async def test_after_signing_out_the_cookie_is_worth_nothing() -> None:
    here = site(account("mara"))
    async with here.browser() as browser:
        await browser.sign_in("mara")
        kept, token = browser.cookie, await browser.form_token()
        out = await browser.post("/sign-out", {"csrf": token})
        assert (out.status_code, out.headers["location"]) == (303, "/sign-in")
        assert out.headers["set-cookie"].startswith("pagereeve-session=; ")
        assert browser.cookie == ""
        browser.cookie = kept
        assert (await browser.get("/now")).headers["location"] == "/sign-in?then=%2Fnow"
        assert (await browser.get("/v1/releases")).status_code == 401
        # What is sent again leads to signing in, and changes nothing.
        again = await browser.post("/sign-out", {"csrf": token})
        assert (again.status_code, again.headers["location"]) == (303, "/sign-in?then=%2Fnow")
        assert "set-cookie" not in again.headers


@pytest.mark.parametrize(
    "other",
    [
        [account("mara", revoked_us=NOW_US)],
        [account("mara", expires_us=NOW_US)],
        [account("mara")],  # another password: another salt, at least
        [credential("mara", "read")],
        [account("juno")],
    ],
)
async def test_who_is_revoked_is_out_with_the_next_request(other: list[Credential]) -> None:
    here = site(account("mara"))
    async with here.browser() as browser:
        await browser.sign_in("mara")
        assert (await browser.get("/now")).status_code == 200
        here.callers.book = CredentialBook(other)
        assert (await browser.get("/now")).status_code == 303
        assert (await browser.get("/v1/releases")).status_code == 401
        assert len(here.sign_in.sessions) == 0


@pytest.mark.parametrize("after_us", [UNUSED_US, LONGEST_US])
async def test_a_session_ends_in_time(after_us: int) -> None:
    here = site(account("mara"))
    async with here.browser() as browser:
        await browser.sign_in("mara")
        here.clock.at_us += after_us
        assert (await browser.get("/now")).status_code == 303


FOREIGN: list[dict[str, str]] = [
    {"origin": "http://evil.example", "sec_fetch_site": "cross-site"},
    {"origin": "http://evil.example", "sec_fetch_site": ""},
    {"origin": "null", "sec_fetch_site": ""},
    {"origin": "http://pages.example:9999", "sec_fetch_site": "same-site"},  # a cookie knows no port
    {"origin": "", "sec_fetch_site": "cross-site"},
    {"origin": "", "sec_fetch_site": "same-site"},
]


@pytest.mark.parametrize("shown", FOREIGN)
async def test_a_page_elsewhere_changes_nothing_even_with_cookie_and_token(shown: dict[str, str]) -> None:
    here = site(account("mara", "read", "names", "note"))
    async with here.browser() as browser:
        refused = await browser.post("/sign-in", {"name": "mara", "password": PASSWORD}, **shown)
        assert (refused.status_code, refused.json()["where"]) == (403, "Origin")
        assert "set-cookie" not in refused.headers
        await browser.sign_in("mara")
        token = await browser.form_token()
        for path in ("/sign-out", "/names", "/names/hide"):
            refused = await browser.post(path, {"csrf": token}, **shown)
            assert (refused.status_code, refused.json()["where"]) == (403, "Origin"), path
            assert "set-cookie" not in refused.headers
        sent = await send_event(browser, pagereeve_csrf=token, **shown)
        assert sent.status_code == 403
        # A browser that keeps the cookie back (SameSite=Lax) signs nobody out either.
        refused = await browser.post("/sign-out", {"csrf": token}, cookie="other=1", **shown)
        assert "set-cookie" not in refused.headers
        assert (await browser.get("/now")).status_code == 200
    assert await here.shown() == []
    assert here.intake.envelopes == {}


async def test_a_form_without_the_sessions_own_token_changes_nothing() -> None:
    here = site(account("mara", "read", "names"), account("juno", "read", "names"))
    async with here.browser() as browser, here.browser() as other:
        await browser.sign_in("mara")
        await other.sign_in("juno")
        theirs = await other.form_token()
        wrong: tuple[dict[str, str], ...] = (
            {},
            {"csrf": ""},
            {"csrf": theirs},
            {"csrf": "é"},
            {"CSRF": await browser.form_token()},
        )
        for fields in wrong:
            for path in ("/sign-out", "/names", "/names/hide"):
                refused = await browser.post(path, fields)
                assert (refused.status_code, refused.json()["where"]) == (403, "pagereeve-csrf")
        # In the address it counts for nothing: addresses are logged, and handed on.
        refused = await browser.post(f"/sign-out?csrf={await browser.form_token()}", {})
        assert refused.status_code == 403
        for path in ("/sign-out", "/names", "/names/hide"):
            assert (await browser.get(path)).status_code == 405
        assert (await browser.get("/now")).status_code == 200
    assert await here.shown() == []


async def send_event(browser: Browser, **headers: str) -> httpx2.Response:
    own = {"origin": ORIGIN, "sec-fetch-site": "same-origin", "content-type": "application/cloudevents+json"}
    sent = {**own, "cookie": browser.cookie, **{name.replace("_", "-"): value for name, value in headers.items()}}
    kept = {name: value for name, value in sent.items() if value}
    return await browser.client.post(f"{ORIGIN}/v1/events", content=json.dumps(EVENT).encode(), headers=kept)


async def test_a_cookie_sends_no_event_but_with_the_act_and_the_token() -> None:
    here = site(account("mara", "read", "note"), account("juno", "read"))
    async with here.browser() as browser, here.browser() as other:
        await browser.sign_in("mara")
        await other.sign_in("juno")
        assert (await send_event(browser)).status_code == 403
        assert (await send_event(browser, cookie="")).status_code == 401
        assert (await send_event(other, pagereeve_csrf=await other.form_token())).status_code == 403
        assert here.intake.envelopes == {}
        sent = await send_event(browser, pagereeve_csrf=await browser.form_token())
        assert sent.status_code == 200
        assert next(iter(here.intake.envelopes.values())).data["by"] == "mara"


async def test_beside_a_token_the_cookie_counts_for_nothing() -> None:
    here = site(account("mara", "read", "names", "note"), credential("reads", "read"), credential("sends", "send"))
    async with here.browser() as browser:
        await browser.sign_in("mara")
        page = await browser.get("/now", authorization=bearer("reads"))
        assert "reads, names hidden" in page.text
        assert "<form" not in page.text
        assert (await browser.get("/now", authorization=bearer("sends"))).status_code == 403
        assert (await browser.get("/now", authorization="Bearer nobodys")).status_code == 401
        refused = await send_event(browser, authorization=bearer("reads"), pagereeve_csrf=await browser.form_token())
        assert refused.status_code == 403
        signed = await send_event(browser, webhook_id="m", webhook_timestamp="1", webhook_signature="v1,AAAA")
        assert signed.status_code == 401
        here.more_scope = {CALLER: account("host", "read").caller}  # as a client certificate shows it
        assert "host, names hidden" in (await browser.get("/now")).text


@pytest.mark.parametrize("cookie", ["{0}; {0}", "{0}; pagereeve-session=x", "__Host-{0}", "{0}x", "x{0}", '"{0}"'])
async def test_a_cookie_that_is_not_exactly_ours_opens_nothing(cookie: str) -> None:
    async with site(account("mara")).browser() as browser:
        await browser.sign_in("mara")
        assert (await browser.get("/now", cookie=cookie.format(browser.cookie))).status_code == 303


async def test_with_tls_the_cookie_is_this_hosts_alone() -> None:
    here = site(account("mara"), scheme="https")
    async with here.browser(ORIGIN.replace("http:", "https:")) as browser:
        signed = await browser.sign_in("mara")
        assert signed.headers["set-cookie"].startswith("__Host-pagereeve-session=")
        assert signed.headers["set-cookie"].endswith("; Path=/; HttpOnly; SameSite=Lax; Secure")
        assert (await browser.get("/now")).status_code == 200
        # Another port of this host, without TLS, could have set the plain one.
        assert (await browser.get("/now", cookie=browser.cookie.removeprefix("__Host-"))).status_code == 303
        plain = await browser.post("/sign-in", {"name": "mara", "password": PASSWORD}, origin=ORIGIN)
        assert plain.status_code == 403


@pytest.mark.parametrize(
    "then", ["//evil.example", "/\\evil.example", "https://evil.example", "/now\r\nX-Evil: 1", "/sign-out"]
)
async def test_it_leads_to_no_other_site_and_splits_no_header(then: str) -> None:
    async with site(account("mara")).browser() as browser:
        page = await browser.get(f"/sign-in?{urlencode({'then': then})}")
        assert 'name="then" value="/now"' in page.text
        failed = await browser.sign_in("mara", "wrong", then=then)
        assert failed.headers["location"] == "/sign-in?then=%2Fnow&failed=wrong"
        signed = await browser.sign_in("mara", then=then)
        assert signed.headers["location"] == "/now"
        assert "x-evil" not in signed.headers


async def test_a_path_that_looks_like_a_host_leads_back_to_the_first_page() -> None:
    async with site(account("mara")).browser() as browser:
        led = await browser.client.get(f"{ORIGIN}//evil.example/", headers=HTML)
        assert (led.status_code, led.headers["location"]) == (303, "/sign-in")


async def test_attempts_are_limited_by_peer_and_by_name() -> None:
    here = site(account("mara"), account("juno"))
    async with here.browser() as browser:

        async def tried(name: str, password: str = "wrong") -> str:
            return (await browser.sign_in(name, password)).headers["location"].rpartition("=")[2]

        outcomes = [await tried("mara") for _ in range(21)]
        assert outcomes == ["wrong"] * 20 + ["wait"]
        assert await tried("mara", PASSWORD) == "wait"  # the right one is not asked for either
        assert "too many attempts" in (await browser.get("/sign-in?failed=wait")).text
        here.client_address = ("192.0.2.2", 4711)
        assert await tried("mara", PASSWORD) == "wait"  # from elsewhere too
        assert (await browser.sign_in("juno")).headers["location"] == "/now"
        here.clock.at_us += 31 * SECOND_US
        assert (await browser.sign_in("mara")).headers["location"] == "/now"  # nobody is locked out for good
        here.client_address = ("192.0.2.3", 4711)
        outcomes = [await tried(f"guess-{nth}") for nth in range(40)]
        assert outcomes.count("wrong") == 30
        assert sum(here.callers.failures.values()) == 50


@pytest.mark.parametrize(
    ("content", "kind", "status"),
    [
        (b"\xff\xfe=\x00", FORM, 303),
        (
            b"name=mara&name=mara&password=" + PASSWORD.replace(" ", "+").encode(),
            FORM,
            303,
        ),
        (b"x" * 70_000, FORM, 413),
        (b'{"name": "mara"}', "application/json", 415),
        (b"name=mara", "text/plain", 415),
    ],
)
async def test_what_is_no_form_signs_nobody_in(content: bytes, kind: str, status: int) -> None:
    here = site(account("mara"))
    async with here.browser() as browser:
        sent = await browser.client.post(f"{ORIGIN}/sign-in", content=content, headers={"content-type": kind})
        assert sent.status_code == status
        assert "set-cookie" not in sent.headers
        assert len(here.sign_in.sessions) == 0


# Names


async def test_names_are_hidden_until_somebody_who_may_has_them_shown_which_is_a_fact() -> None:
    here = site(account("mara", "read", "names"))
    await here.journal.append(started("r-1"))
    async with here.browser() as browser, here.browser() as elsewhere:
        await browser.sign_in("mara")
        await elsewhere.sign_in("mara")
        page = await browser.get("/now")
        assert "names hidden" in page.text
        assert "Show names for 10 minutes" in page.text
        assert (await browser.get("/v1/releases?person=u-1")).status_code == 403
        token = await browser.form_token()
        shown = await browser.post("/names", {"csrf": token}, referer=f"{ORIGIN}/words")
        assert (shown.status_code, shown.headers["location"]) == (303, "/words")
        assert await here.shown() == [NamesShown(NOW_US, "mara", NOW_US + NAMES_US)]
        page = await browser.get("/now")
        assert "names shown until" in page.text
        assert "Hide names" in page.text
        assert (await browser.get("/v1/releases?person=u-1")).status_code == 200
        # To this session, and no other one of hers.
        assert (await elsewhere.get("/v1/releases?person=u-1")).status_code == 403
        here.clock.at_us += NAMES_US - 1
        assert (await browser.get("/v1/releases?person=u-1")).status_code == 200
        here.clock.at_us += 1
        assert (await browser.get("/v1/releases?person=u-1")).status_code == 403
        assert "names hidden" in (await browser.get("/now")).text

        await browser.post("/names", {"csrf": token})
        assert (await browser.get("/v1/releases?person=u-1")).status_code == 200
        assert (await browser.post("/names/hide", {"csrf": token})).status_code == 303
        assert (await browser.get("/v1/releases?person=u-1")).status_code == 403
        assert len(await here.shown()) == 2


async def test_who_may_not_see_names_can_have_none_shown() -> None:
    here = site(account("mara", "read", "decide"))
    async with here.browser() as browser:
        await browser.sign_in("mara")
        refused = await browser.post("/names", {"csrf": await browser.form_token()})
        assert (refused.status_code, refused.json()["cause"]) == (403, "names")
        assert (await browser.get("/v1/releases?person=u-1")).status_code == 403
    assert await here.shown() == []


async def test_a_part_of_a_page_has_the_whole_loaded_anew_where_the_session_is_over() -> None:
    here = site(account("mara"))
    async with here.browser() as browser:
        await browser.sign_in("mara")
        part = {"hx_request": "true", "accept": "*/*"}
        assert (await browser.get("/now/figures", **part)).status_code == 200
        here.clock.at_us += UNUSED_US - 1
        assert (await browser.get("/now/figures", **part)).status_code == 200
        here.clock.at_us += 1  # nobody used it meanwhile
        answer = await browser.get("/now/figures", **part)
        assert (answer.status_code, answer.headers["hx-refresh"]) == (401, "true")


@pytest.mark.parametrize("end", ["revoked", "signed out", "hidden", "out of time"])
async def test_a_stream_ends_with_what_allowed_it(end: str, monkeypatch: pytest.MonkeyPatch) -> None:
    here = site(account("mara", "read", "names"))
    sent: list[bytes] = []
    after: list[Callable[[], Awaitable[object]]] = []

    async def streams(_: Scope, __: Receive, send: Send) -> None:
        head = [(b"content-type", b"text/event-stream")]
        await send({"type": "http.response.start", "status": 200, "headers": head})
        for part in (b"one ", b"two ", b"three "):
            await send({"type": "http.response.body", "body": part, "more_body": True})
            sent.append(part)
            if part == b"two ":
                await after[0]()
        await send({"type": "http.response.body", "body": b"", "more_body": False})

    async with here.browser() as browser, here.browser() as other:
        await browser.sign_in("mara")
        token = await browser.form_token()
        await browser.post("/names", {"csrf": token})
        web = here.sign_in._web
        monkeypatch.setattr(here.sign_in, "_web", streams)

        async def over() -> None:
            monkeypatch.setattr(here.sign_in, "_web", web)
            other.cookie = browser.cookie
            if end == "revoked":
                here.callers.book = CredentialBook([account("mara", revoked_us=1)])
            elif end == "out of time":
                here.clock.at_us += NAMES_US
            else:
                await other.post("/sign-out" if end == "signed out" else "/names/hide", {"csrf": token})

        after.append(over)
        assert (await browser.get("/v1/changes")).text == "one two "
        assert sent == [b"one ", b"two ", b"three "]


async def test_by_token_names_are_shown_as_ever() -> None:
    async with site(credential("accounting", "read", "names")).browser() as browser:
        answer = await browser.get("/v1/releases?person=u-1", authorization=bearer("accounting"))
        assert answer.status_code == 200


async def test_names_stay_hidden_where_the_fact_can_not_be_stored() -> None:
    here = site(account("mara", "read", "names"))
    here.sign_in._store = FullDisk()
    async with here.browser() as browser:
        await browser.sign_in("mara")
        refused = await browser.post("/names", {"csrf": await browser.form_token()})
        assert refused.status_code == 503
        assert (await browser.get("/v1/releases?person=u-1")).status_code == 403


async def test_a_flood_of_showings_fills_no_journal() -> None:
    here = site(account("mara", "read", "names"))
    async with here.browser() as browser:
        await browser.sign_in("mara")
        token = await browser.form_token()
        statuses = [(await browser.post("/names", {"csrf": token})).status_code for _ in range(15)]
    assert statuses == [303] * 10 + [429] * 5
    assert len(await here.shown()) == 10


# A proxy in front

PROXY = ConsoleSettings.model_validate(
    {"trusted_user_header": "X-Remote-User", "trusted_proxies": ["192.0.2.1", "2001:db8::1"]}
)


async def test_a_proxy_that_is_trusted_says_who_it_is() -> None:
    here = site(proxied("juno", "read", "names"), account("mara"), settings=PROXY)
    async with here.browser() as browser:
        browser.headers = {"x-remote-user": "juno"}
        page = await browser.get("/now")
        assert "juno, names hidden" in page.text
        assert "Sign out" not in page.text
        assert "set-cookie" not in page.headers
        token = await browser.form_token()
        # What it says comes with each request, asked for or not: a form needs its token all the same.
        assert (await browser.post("/names", {})).status_code == 403
        assert (await browser.post("/names", {"csrf": token}, **FOREIGN[0])).status_code == 403
        assert (await browser.post("/names", {"csrf": token})).status_code == 303
        assert [one.by for one in await here.shown()] == ["juno"]
        browser.headers = {"x-remote-user": "juno", "x-forwarded-proto": "https"}
        here.callers.book = CredentialBook([account("mara")])
        assert (await browser.get("/now")).status_code == 303
        signed = await browser.sign_in("mara")
        assert signed.headers["set-cookie"].startswith("__Host-")


@pytest.mark.parametrize(
    ("peer", "names"),
    [
        ("192.0.2.9", ["juno"]),
        ("", ["juno"]),
        ("no address", ["juno"]),
        ("192.0.2.1", ["mara"]),  # who has a password signs in with it
        ("192.0.2.1", ["machine"]),
        ("192.0.2.1", ["nobody"]),
        ("192.0.2.1", [""]),
        ("192.0.2.1", ["juno", "juno"]),
        ("192.0.2.1", ["juno,mara"]),
    ],
)
async def test_nobody_else_says_it(peer: str, names: list[str]) -> None:
    here = site(proxied("juno"), account("mara"), credential("machine", "read"), settings=PROXY)
    here.client_address = (peer, 1)
    async with here.browser() as browser:
        headers = [("accept", "text/html"), *(("X-Remote-User", name) for name in names)]
        assert (await browser.client.get(f"{ORIGIN}/now", headers=headers)).status_code == 303
        assert len(here.sign_in.sessions) == 0


async def test_an_address_of_a_proxy_is_known_however_it_is_written() -> None:
    here = site(proxied("juno"), settings=PROXY)
    for address in ("::ffff:192.0.2.1", "2001:db8:0:0::1"):
        here.client_address = (address, 1)
        async with here.browser() as browser:
            browser.headers = {"x-remote-user": "juno"}
            assert (await browser.get("/now")).status_code == 200
    here.settings = ConsoleSettings()
    async with here.browser() as browser:
        browser.headers = {"x-remote-user": "juno"}
        assert (await browser.get("/now")).status_code == 303


async def test_a_form_reaches_whom_it_is_for_with_its_body(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the layer read of it to find the token is read again by who answers."""
    here = site(account("mara", "read", "decide"))
    got: list[tuple[bytes, str]] = []

    async def web(scope: Scope, receive: Receive, send: Send) -> None:
        body, more = b"", True
        while more:
            message: Message = await receive()
            body, more = body + message["body"], message["more_body"]
        got.append((body, scope[CALLER].name))
        await send({"type": "http.response.start", "status": 204, "headers": []})
        await send({"type": "http.response.body", "body": b""})

    async with here.browser() as browser:
        await browser.sign_in("mara")
        token = await browser.form_token()
        monkeypatch.setattr(here.sign_in, "_web", web)
        answer = await browser.post("/findings/f-1/decision", {"action": "close", "csrf": token})
        assert answer.status_code == 204
        script = await browser.client.post(
            f"{ORIGIN}/v1/decisions",
            content=b"{}",
            headers={"cookie": browser.cookie, "pagereeve-csrf": token, "origin": ORIGIN},
        )
        assert script.status_code == 204
    assert got == [(urlencode({"action": "close", "csrf": token}).encode(), "mara"), (b"{}", "mara")]
