"""A browser on its way to an OpenID provider and back: its cookies, its page, and who it is then."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import httpx2
import pytest
import structlog

from pagereeve.console.api.site import AskedSite
from pagereeve.domain.credentials.book import Credential, CredentialBook, kept_of_subject
from pagereeve.domain.credentials.callers import Act, Caller
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.settings.console import ConsoleSettings
from pagereeve.settings.oidc import OidcSettings
from tests.credentials import NOW_US
from tests.openid_provider import ANISE, CLIENT, SECRET, Bent, OpenIdProvider
from tests.sign_in_site import Site
from tests.signing_in import HTML, account

PAGES = "https://pages.example:8731"
OWN = {"sec-fetch-site": "same-origin"}
START = "/sign-in/oidc"


@dataclass
class Jar:
    """A browser with as many cookies as it is given, and no more than it would send."""

    client: httpx2.AsyncClient
    cookies: dict[str, str] = field(default_factory=dict)

    async def get(self, target: str, method: str = "GET", **headers: str) -> httpx2.Response:
        return await self.sent(target, method, headers)

    async def sent(
        self, target: str, method: str, headers: Mapping[str, str], fields: dict[str, str] | None = None
    ) -> httpx2.Response:
        sent = {**HTML, **{name.replace("_", "-"): value for name, value in headers.items()}}
        if self.cookies:
            sent["cookie"] = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        url = target if target.startswith(PAGES) else f"{PAGES}{target}"
        answer = await self.client.request(method, url, headers=sent, data=fields)
        self.client.cookies.clear()
        for line in answer.headers.get_list("set-cookie"):
            name, _, value = line.partition(";")[0].partition("=")
            self.cookies[name] = value
            if not value:
                del self.cookies[name]
        return answer


@dataclass
class Scene:
    provider: OpenIdProvider
    site: Site
    jar: Jar

    async def sent_on(self, then: str = "/findings") -> httpx2.Response:
        return await self.jar.get(f"{START}?then={then}", **OWN)

    async def signed_in(self, then: str = "/findings") -> httpx2.Response:
        sent = await self.sent_on(then)
        return await self.jar.get(self.provider.authorized(sent.headers["location"]), sec_fetch_site="cross-site")

    async def signed_out(self) -> httpx2.Response:
        """By the form of the frame."""
        token = re.search(r'name="csrf" value="([^"]+)"', (await self.jar.get("/now")).text)
        assert token is not None
        return await self.jar.sent("/sign-out", "POST", {"origin": PAGES, **OWN}, {"csrf": token[1]})

    def count(self, outcome: str) -> int:
        return self.site.sign_in.counts.counts["oidc", outcome]

    def becomes(self, *credentials: Credential) -> None:
        self.site.callers.book = CredentialBook(credentials)

    def anise(self, *acts: Act, name: str = "anise", revoked_us: int | None = None) -> Credential:
        kept = kept_of_subject(self.provider.issuer, ANISE)
        return Credential(Caller(name, frozenset(acts or ("read",))), kept, revoked_us=revoked_us)


@asynccontextmanager
async def scene(tmp_path: Path, *, sign_out_there: bool = False) -> AsyncIterator[Scene]:
    secret = tmp_path / "oidc.secret"
    secret.write_text(f"{SECRET}\n")
    async with OpenIdProvider(now_s=lambda: NOW_US / SECOND_US) as provider:
        oidc = OidcSettings.model_validate(
            {
                "issuer": provider.issuer,
                "client_id": CLIENT,
                "client_secret_file": secret,
                "public_address": PAGES,
                "sign_out_there": sign_out_there,
            }
        )
        asked = AskedSite(provider=oidc.issuer_host, provider_start=oidc.start)
        site = Site(CredentialBook(), settings=ConsoleSettings(oidc=oidc), asked=asked, scheme="https")
        async with site.browser() as browser:
            found = Scene(provider, site, Jar(browser.client))
            found.becomes(account("mara"), found.anise())
            yield found


async def test_a_person_signs_in_there_and_is_known_here(tmp_path: Path) -> None:
    async with scene(tmp_path) as here:
        led = await here.jar.get("/findings")
        page = await here.jar.get(led.headers["location"], **OWN)
        _, host, *_ = urlsplit(here.provider.issuer)
        assert f'href="{PAGES}/sign-in/oidc?then=%2Ffindings">Sign in at {host}</a>' in page.text
        sent = await here.sent_on()
        assert sent.status_code == 303
        assert sent.headers["location"].startswith(
            f"{here.provider.issuer}/authorize?tenant=college&response_type=code"
        )
        [cookie] = sent.headers.get_list("set-cookie")
        assert cookie.startswith("__Host-pagereeve-oidc=")
        assert cookie.endswith("; Path=/; HttpOnly; SameSite=Lax; Secure; Max-Age=600")
        with structlog.testing.capture_logs() as logged:
            address = here.provider.authorized(sent.headers["location"])
            back = await here.jar.get(address, sec_fetch_site="cross-site")
        assert (back.status_code, back.headers["location"]) == (303, "/findings")
        assert list(here.jar.cookies) == ["__Host-pagereeve-session"]
        assert "anise, names hidden" in (await here.jar.get("/now")).text
        assert here.site.callers.used == {"anise": NOW_US}
        assert [(one["event"], one["credential"], one["by"]) for one in logged] == [("signed in", "anise", "oidc")]
        assert ANISE not in str(logged)
        assert here.count("signed-in") == 1
        # What is revoked is out at once, and comes in no more.
        here.becomes(account("mara"), here.anise(revoked_us=1))
        assert (await here.jar.get("/now")).status_code == 303
        refused = await here.signed_in()
        assert refused.headers["location"] == "/sign-in?then=%2Ffindings&failed=over"
        assert "was revoked" in (await here.jar.get(refused.headers["location"])).text
        assert here.site.callers.failures == {"revoked": 1}
        # Who has a new credential is known by that one.
        here.becomes(here.anise(revoked_us=1), here.anise(name="anise-2"))
        assert (await here.signed_in()).headers["location"] == "/findings"
        assert "anise-2, names hidden" in (await here.jar.get("/now")).text


async def test_who_is_nobody_here_reads_the_subject_that_was_proven_and_no_other(tmp_path: Path) -> None:
    async with scene(tmp_path) as here:
        here.provider.subject = "it's <b>me</b>"
        with structlog.testing.capture_logs() as logged:
            page = await here.signed_in()
        assert page.status_code == 403
        assert "it&#39;s &lt;b&gt;me&lt;/b&gt;" in page.text
        assert "--oidc &#39;it&#39;&#34;&#39;&#34;&#39;s &lt;b&gt;me&lt;/b&gt;&#39;" in page.text
        assert (here.jar.cookies, len(here.site.sign_in.sessions)) == ({}, 0)
        assert (here.count("unknown"), here.site.callers.failures) == (1, {"unknown": 1})
        assert "me" not in [one.get("subject") for one in logged]
        # An address can't have the page show another one.
        lied = await here.jar.get(f"/sign-in?subject={ANISE}&failed=unknown", pagereeve_stranger=ANISE)
        assert ANISE not in lied.text
        # Nor does a subject of another issuer count.
        here.becomes(account("mara"), Credential(Caller("x", frozenset({"read"})), kept_of_subject("https://x", ANISE)))
        here.provider.subject = ANISE
        assert (await here.signed_in()).status_code == 403


@pytest.mark.parametrize(
    "then", ["//evil.example", "https://evil.example", "/%5Cevil.example", START, "/sign-in/oidc/back"]
)
async def test_where_a_browser_goes_then_is_a_page_of_ours(then: str, tmp_path: Path) -> None:
    async with scene(tmp_path) as here:
        assert (await here.signed_in(then)).headers["location"] == "/now"


async def test_a_page_elsewhere_has_nobody_signed_in(tmp_path: Path) -> None:
    async with scene(tmp_path) as here:
        for site in ("cross-site", "same-site", "none"):
            led = await here.jar.get(f"{START}?then=/findings", sec_fetch_site=site)
            assert led.headers["location"] == "/sign-in?then=%2Ffindings"
        assert here.provider.asked == {}
        # Nor by what another browser began: its code is brought to somebody (RFC 9700 section 4.7).
        sent = await here.sent_on()
        here.jar.cookies.clear()
        refused = await here.jar.get(here.provider.authorized(sent.headers["location"]))
        assert refused.headers["location"] == "/sign-in?then=%2Ffindings&failed=stale"
        assert "began in another browser" in (await here.jar.get(refused.headers["location"])).text
        assert here.provider.asked["/token"] == 0
        assert here.count("stale") == 1


async def test_while_the_provider_is_away_people_with_passwords_sign_in(tmp_path: Path) -> None:
    async with scene(tmp_path) as here:
        here.provider.bend_configuration = lambda _: b"no json"
        with structlog.testing.capture_logs() as logged:
            sent = await here.sent_on()
        assert sent.headers["location"] == "/sign-in?then=%2Ffindings&failed=away"
        assert [(one["why"], one["detail"]) for one in logged] == [("away", "the provider's answer is no JSON")]
        page = await here.jar.get(sent.headers["location"])
        assert "gave no answer that can be used" in page.text
        assert 'name="password"' in page.text
        async with here.site.browser(PAGES) as browser:
            assert (await browser.sign_in("mara", then="/now")).headers["location"] == "/now"


async def test_attempts_of_an_address_are_few_and_other_methods_none(tmp_path: Path) -> None:
    async with scene(tmp_path) as here:
        for _ in range(100):
            assert "authorize" in (await here.sent_on()).headers["location"]
        assert (await here.sent_on()).headers["location"].endswith("failed=wait")
        here.site.clock.at_us += 2 * SECOND_US
        assert "authorize" in (await here.sent_on()).headers["location"]
        asked = here.provider.asked.total()
        for method, status in (("POST", 401), ("HEAD", 303), ("DELETE", 401)):
            answer = await here.jar.get(START, method, **OWN)
            assert (answer.status_code, "issuer" in answer.headers.get("location", "")) == (status, False)
        assert (here.provider.asked.total(), len(here.jar.cookies)) == (asked, 1)


async def test_a_reload_lets_who_is_under_way_come_back(tmp_path: Path) -> None:
    async with scene(tmp_path) as here:
        sent = await here.sent_on()
        oidc = here.site.settings.oidc
        assert oidc is not None
        here.site.settings = ConsoleSettings(oidc=oidc.model_copy())
        back = await here.jar.get(here.provider.authorized(sent.headers["location"]))
        assert back.headers["location"] == "/findings"
        # A secret that is gone since is said in the log, and the page says that it can't be done now.
        oidc.client_secret_file.unlink()
        here.site.settings = ConsoleSettings(oidc=oidc.model_copy())
        assert (await here.sent_on()).headers["location"].endswith("failed=away")
        # Without the setting nothing of it is there.
        here.site.settings = ConsoleSettings()
        here.jar.cookies.clear()
        assert (await here.sent_on()).headers["location"] == "/sign-in"


async def test_a_password_opens_nothing_that_a_provider_speaks_for(tmp_path: Path) -> None:
    async with scene(tmp_path) as here, here.site.browser(PAGES) as browser:
        for password in (kept_of_subject(here.provider.issuer, ANISE), ANISE, ""):
            assert "failed=wrong" in (await browser.sign_in("anise", password)).headers["location"]


async def test_who_signs_out_is_signed_out_at_the_provider_too(tmp_path: Path) -> None:
    async with scene(tmp_path, sign_out_there=True) as here:
        await here.signed_in()
        page = await here.signed_out()
        assert (page.status_code, here.jar.cookies, len(here.site.sign_in.sessions)) == (200, {}, 0)
        assert "is asked now to sign you out there too" in page.text
        wait_s, _, address = page.headers["refresh"].partition("; url=")
        assert (wait_s, address.startswith(f"{here.provider.issuer}/logout?tenant=college&")) == ("0", True)
        back = here.provider.signed_out(address)
        assert (here.provider.out, back.startswith(f"{PAGES}/sign-in/oidc/out?state=")) == ([ANISE], True)
        assert "You are signed out, here and at" in (await here.jar.get(back, sec_fetch_site="cross-site")).text
        # Once; and nobody is told so by an address that anybody wrote.
        for path in (back, "/sign-in/oidc/out", "/sign-in/oidc/out?state=x&state=y"):
            assert (await here.jar.get(path)).headers["location"] == "/sign-in"
        for lie in ("both", "going"):
            told = await here.jar.get(f"/sign-in?out={lie}", pagereeve_left=lie)
            assert ("signed out" in told.text, "refresh" in told.headers) == (False, False)
        assert here.count("signed-out") == 1


async def test_who_signed_in_again_meanwhile_stays_so(tmp_path: Path) -> None:
    async with scene(tmp_path, sign_out_there=True) as here:
        await here.signed_in()
        back = here.provider.signed_out((await here.signed_out()).headers["refresh"].partition("; url=")[2])
        await here.signed_in()
        assert (await here.jar.get(back)).headers["location"] == "/now"
        assert "anise, names hidden" in (await here.jar.get("/now")).text


@pytest.mark.parametrize(
    ("bent", "told"),
    [
        (lambda told: told | {"end_session_endpoint": ""}, "here"),
        (lambda told: told | {"end_session_endpoint": "http://id.example/logout"}, "here"),
        (lambda told: told | {"end_session_endpoint": "https://id.example/lög out"}, "here"),
        (lambda _: b"no json", "away"),
    ],
)
async def test_where_the_provider_can_not_be_asked_ours_ends_and_the_page_says_so(
    bent: Bent, told: str, tmp_path: Path
) -> None:
    async with scene(tmp_path, sign_out_there=True) as here:
        await here.signed_in()
        here.provider.bend_configuration = bent
        oidc = here.site.settings.oidc
        assert oidc is not None
        here.site.settings = ConsoleSettings(oidc=oidc.model_copy())  # asked anew
        gone = await here.signed_out()
        assert (gone.headers["location"], here.jar.cookies) == (f"/sign-in?out={told}", {})
        assert "without a password" in (await here.jar.get(gone.headers["location"])).text
        assert (await here.jar.get("/now")).status_code == 303


async def test_without_the_setting_the_provider_is_not_asked_and_no_token_is_kept(tmp_path: Path) -> None:
    async with scene(tmp_path) as here:
        await here.signed_in()
        assert [one.id_token for one in here.site.sign_in.sessions._sessions.values()] == [""]
        gone = await here.signed_out()
        assert "still signed in at" in (await here.jar.get(gone.headers["location"])).text
        assert here.provider.out == []
