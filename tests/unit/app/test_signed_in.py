"""Who is signed in: names that are shown, streams that end, forms that arrive, and a proxy that says who it is."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from urllib.parse import urlencode

import pytest

from pagereeve.console.sign_in.sessions import NAMES_US, UNUSED_US
from pagereeve.domain.credentials.book import CredentialBook
from pagereeve.domain.facts.names_shown import NamesShown
from pagereeve.feeds.http.answers import CALLER, Message, Receive, Scope, Send
from pagereeve.settings.console import ConsoleSettings
from tests.credentials import NOW_US, bearer, credential
from tests.journal_samples import started
from tests.sign_in_site import FOREIGN, ORIGIN, FullDisk, site
from tests.signing_in import account, proxied

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
        hidden = await browser.get("/v1/releases?person=u-1")
        assert (hidden.status_code, "have them shown first" in hidden.text) == (403, True)
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
