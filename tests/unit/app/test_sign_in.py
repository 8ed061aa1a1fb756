"""Signing in, from the first cookie to the last."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

import pytest
from argon2 import PasswordHasher

from pagereeve.console.sign_in.passwords import Passwords
from pagereeve.console.sign_in.sessions import LONGEST_US, UNUSED_US
from pagereeve.domain.credentials.book import Credential, CredentialBook
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.feeds.http.answers import CALLER
from tests.credentials import NOW_US, bearer, credential
from tests.sign_in_site import FOREIGN, FORM, ORIGIN, send_event, site
from tests.signing_in import HTML, PASSWORD, account, proxied


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


async def test_who_signed_in_may_what_the_credential_may_and_nothing_else() -> None:
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
