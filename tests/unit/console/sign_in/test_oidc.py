"""Signing in at an OpenID provider: what proves a person, and all that does not.

The attacks are those of RFC 9700 section 4, RFC 8725 section 2 and OpenID Connect Core 1.0 section 3.1.3.7.
"""

from __future__ import annotations

import ssl
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit

import pytest
from pydantic import SecretStr

from pagereeve.console.sign_in.oidc import provider as provider_module
from pagereeve.console.sign_in.oidc import relying_party as party_module
from pagereeve.console.sign_in.oidc.id_tokens import NotTrusted, keys_of
from pagereeve.console.sign_in.oidc.outcomes import NotSignedIn
from pagereeve.console.sign_in.oidc.relying_party import AT_ONCE, Begun, Proven, RelyingParty
from pagereeve.console.sign_in.oidc.under_way import LASTS_US, UNDER_WAY_MAX
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.settings.oidc import OidcSettings
from tests.openid_provider import ANISE, CLIENT, SECRET, OpenIdProvider, ec_key, rsa_key

PAGES = "https://pages.example"
TLS = ssl.create_default_context()


@dataclass
class Client:
    """Our side, with a clock that is held."""

    provider: OpenIdProvider
    at_us: int = 0
    more: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        given = {
            "issuer": self.provider.issuer,
            "client_id": CLIENT,
            "client_secret_file": Path("/nowhere"),
            "public_address": PAGES,
        }
        self.party = RelyingParty(
            OidcSettings.model_validate(given | self.more),
            SecretStr(SECRET),
            TLS,
            lambda: self.at_us,
            lambda: round(time.time()) * SECOND_US,
        )

    async def begun(self, then: str = "/findings?state=open") -> Begun:
        return await self.party.begin(then)

    async def back(self, address: str, browser: str) -> Proven:
        before, _, query = address.partition("?")
        assert before == f"{PAGES}/sign-in/oidc/back"
        return await self.party.came_back(query.encode(), browser)

    async def signed_in(self) -> Proven:
        begun = await self.begun()
        return await self.back(self.provider.authorized(begun.address), begun.browser)

    async def refused(self) -> NotSignedIn:
        with pytest.raises(NotSignedIn) as refused:
            await self.signed_in()
        return refused.value


def bent(address: str, **fields: str | None) -> str:
    parts = urlsplit(address)
    told = dict(parse_qsl(parts.query)) | fields
    query = urlencode({name: value for name, value in told.items() if value is not None})
    return parts._replace(query=query).geturl()


async def test_who_signed_in_there_is_known_here_by_issuer_and_subject_alone() -> None:
    async with OpenIdProvider() as provider:
        client = Client(provider)
        for _ in range(2):
            proven = await client.signed_in()
            assert replace(proven, id_token="") == Proven(provider.issuer, ANISE, "/findings?state=open")
            assert proven.id_token not in repr(proven)
        # Its configuration and its keys are asked for once.
        assert provider.asked == {"/.well-known/openid-configuration": 1, "/keys": 1, "/token": 2}
        assert len(client.party.under_way) == 0


async def test_a_provider_that_wants_the_secret_in_the_body_gets_it_there() -> None:
    def posted(known: dict[str, Any]) -> dict[str, Any]:
        return known | {"token_endpoint_auth_methods_supported": ["client_secret_post", "private_key_jwt"]}

    async with OpenIdProvider(bend_configuration=posted) as provider:
        assert (await Client(provider).signed_in()).subject == ANISE


async def test_what_a_browser_carries_is_new_each_time_and_is_not_in_the_address() -> None:
    async with OpenIdProvider() as provider:
        client = Client(provider)
        first, second = [await client.begun() for _ in range(2)]
        asked = [dict(parse_qsl(urlsplit(one.address).query)) for one in (first, second)]
        for name in ("state", "nonce", "code_challenge"):
            assert len({one[name] for one in asked}) == 2
            assert len(asked[0][name]) == 43
        assert first.browser != second.browser
        assert first.browser not in first.address
        assert "secret" not in first.address
        assert repr(first).count(first.browser) == 0


@pytest.mark.parametrize("algorithm", ["RS256", "PS256", "ES256"])
async def test_three_kinds_of_signature_are_good(algorithm: str) -> None:
    key = ec_key("e") if algorithm == "ES256" else rsa_key("one")
    other = rsa_key("one") if algorithm == "ES256" else ec_key("e")
    async with OpenIdProvider(key=key, published=[other, key], algorithm=algorithm) as provider:
        assert (await Client(provider).signed_in()).subject == ANISE


Bend = Callable[[dict[str, Any]], Any]
NOW_S = int(time.time())
BAD_CLAIMS: list[tuple[str, Bend]] = [
    ("another nonce", lambda known: known | {"nonce": "n" * 43}),
    ("no nonce", lambda known: {name: value for name, value in known.items() if name != "nonce"}),
    ("another issuer", lambda known: known | {"iss": "https://evil.example"}),
    ("for another client", lambda known: known | {"aud": "other"}),
    ("for another client too", lambda known: known | {"aud": [CLIENT, "other"], "azp": CLIENT}),
    ("given to another client", lambda known: known | {"azp": "other"}),
    ("for nobody", lambda known: known | {"aud": []}),
    ("over", lambda known: known | {"exp": NOW_S - 61}),
    ("without an end", lambda known: {name: value for name, value in known.items() if name != "exp"}),
    ("with an end that is no number", lambda known: known | {"exp": "never"}),
    ("of times to come", lambda known: known | {"iat": NOW_S + 86_400}),
    ("older than the sign-in", lambda known: known | {"iat": NOW_S - 600}),
    ("of nobody", lambda known: known | {"sub": ""}),
    ("of a number", lambda known: known | {"sub": 1}),
    ("of too long a name", lambda known: known | {"sub": "s" * 256}),
    ("of a name with a line break", lambda known: known | {"sub": "anise\nmara"}),
    ("of another token", lambda known: known | {"at_hash": "77QmUPtjPfzWtF2AnpK9RQ"}),
]


@pytest.mark.parametrize("bend", [bend for _, bend in BAD_CLAIMS], ids=[name for name, _ in BAD_CLAIMS])
async def test_an_id_token_with_other_claims_proves_nothing(bend: Bend) -> None:
    async with OpenIdProvider(bend_claims=bend) as provider:
        refused = await Client(provider).refused()
        assert (refused.why, refused.then) == ("untrusted", "/findings?state=open")
        assert "ID token" in refused.detail


BAD_HEADERS: list[tuple[str, Bend]] = [
    ("none", lambda known: known | {"alg": "none"}),
    ("HMAC with the public key", lambda known: known | {"alg": "HS256"}),
    ("RS512", lambda known: known | {"alg": "RS512"}),
    ("an extension that must be understood", lambda known: known | {"crit": ["b64"], "b64": False}),
    ("an extension that nobody knows", lambda known: known | {"crit": ["x"], "x": 1}),
]


@pytest.mark.parametrize("bend", [bend for _, bend in BAD_HEADERS], ids=[name for name, _ in BAD_HEADERS])
async def test_an_id_token_signed_otherwise_proves_nothing(bend: Bend) -> None:
    async with OpenIdProvider(bend_header=bend) as provider:
        assert (await Client(provider).refused()).why == "untrusted"


async def test_an_unknown_member_of_its_header_is_passed_over() -> None:
    async with OpenIdProvider(bend_header=lambda known: known | {"vendor": "x"}) as provider:
        assert (await Client(provider).signed_in()).subject == ANISE


async def test_somebody_elses_signature_under_the_kid_of_a_key_proves_nothing() -> None:
    async with OpenIdProvider(key=rsa_key("one", 2_056), published=[rsa_key("one")]) as provider:
        assert (await Client(provider).refused()).why == "untrusted"


@pytest.mark.filterwarnings("ignore:Key size")
async def test_a_short_key_is_none() -> None:
    async with OpenIdProvider(key=rsa_key("short", 1_024)) as provider:
        assert "is none of the provider's" in (await Client(provider).refused()).detail


def test_keys_that_are_for_something_else_are_passed_over() -> None:
    one = rsa_key("one").as_dict(private=False)
    others: list[Any] = [5, {"kty": "oct", "k": "AAAA"}, {"kty": "OKP", "crv": "Ed25519", "x": "AAAA"}, {"kty": "RSA"}]
    curve = ec_key("e").as_dict(private=False)
    assert [
        known.kid for known in keys_of({"keys": [*others, one | {"use": "enc"}, curve | {"crv": "P-384"}, one]})
    ] == ["one"]
    documents: list[Any] = [None, [], {}, {"keys": {}}, {"keys": [one] * 101}]
    for document in documents:
        with pytest.raises(NotTrusted):
            keys_of(document)


async def test_a_provider_may_sign_with_a_new_key_and_is_asked_for_it_once_a_minute() -> None:
    async with OpenIdProvider() as provider:
        client = Client(provider)
        await client.signed_in()
        provider.key = rsa_key("two")
        # Known for less than a minute: it is not asked again, whoever shows unknown keys.
        assert (await client.refused()).why == "untrusted"
        assert provider.asked["/keys"] == 1
        client.at_us += 60 * SECOND_US
        assert (await client.refused()).why == "untrusted"  # not published yet
        assert provider.asked["/keys"] == 2
        provider.published = [rsa_key("one"), rsa_key("two")]
        client.at_us += 60 * SECOND_US
        assert (await client.signed_in()).subject == ANISE
        assert provider.asked["/keys"] == 3


async def test_without_a_kid_one_key_is_meant_and_of_two_none() -> None:
    def nameless(known: dict[str, Any]) -> dict[str, Any]:
        return {"alg": known["alg"]}

    async with OpenIdProvider(bend_header=nameless) as provider:
        assert (await Client(provider).signed_in()).subject == ANISE
        provider.published = [rsa_key("one"), rsa_key("two")]
        assert (await Client(provider).refused()).why == "untrusted"


async def test_what_comes_back_belongs_to_the_browser_that_began_and_counts_once() -> None:
    async with OpenIdProvider() as provider:
        client = Client(provider)

        async def refused(address: str, browser: str) -> str:
            with pytest.raises(NotSignedIn) as error:
                await client.back(address, browser)
            return error.value.why

        begun, other = await client.begun(), await client.begun()
        address = provider.authorized(begun.address)
        # Another state, none, or one of another browser (RFC 9700 section 4.7).
        assert await refused(bent(address, state="s" * 43), begun.browser) == "stale"
        assert await refused(bent(address, state=None), begun.browser) == "stale"
        assert await refused(provider.authorized(other.address), begun.browser) == "stale"
        assert await refused(provider.authorized(other.address), other.browser) == "stale"  # that was its one use
        assert provider.asked["/token"] == 0
        assert (await client.back(address, begun.browser)).subject == ANISE
        assert await refused(address, begun.browser) == "stale"
        # A code that was used before, in a sign-in of its own; and one of somebody else (RFC 9700 section 4.5).
        code = dict(parse_qsl(urlsplit(address).query))["code"]
        for injected in (code, "c" * 20):
            again = await client.begun()
            assert await refused(bent(provider.authorized(again.address), code=injected), again.browser) == "refused"
        theirs = dict(parse_qsl(urlsplit(provider.authorized((await client.begun()).address)).query))["code"]
        mine = await client.begun()
        assert await refused(bent(provider.authorized(mine.address), code=theirs), mine.browser) == "refused"


async def test_a_sign_in_waits_ten_minutes_and_a_thousand_at_most_are_under_way() -> None:
    async with OpenIdProvider() as provider:
        client = Client(provider)
        begun = await client.begun()
        client.at_us += LASTS_US
        with pytest.raises(NotSignedIn, match="stale"):
            await client.back(provider.authorized(begun.address), begun.browser)
        first = await client.begun()
        for _ in range(UNDER_WAY_MAX):
            last = await client.begun()
        assert len(client.party.under_way) == UNDER_WAY_MAX
        with pytest.raises(NotSignedIn, match="stale"):
            await client.back(provider.authorized(first.address), first.browser)
        assert (await client.back(provider.authorized(last.address), last.browser)).subject == ANISE


@pytest.mark.parametrize("issuer", ["https://evil.example", None, ""])
async def test_an_answer_of_another_issuer_is_a_mix_up(issuer: str | None) -> None:
    """RFC 9207 section 2.4: one that says that it names itself must."""
    async with OpenIdProvider() as provider:
        client = Client(provider)
        begun = await client.begun()
        with pytest.raises(NotSignedIn, match="untrusted"):
            await client.back(bent(provider.authorized(begun.address), iss=issuer), begun.browser)
        assert provider.asked["/token"] == 0


async def test_a_provider_that_never_names_itself_may_leave_it_out() -> None:
    def silent(known: dict[str, Any]) -> dict[str, Any]:
        return known | {"authorization_response_iss_parameter_supported": False}

    async with OpenIdProvider(bend_configuration=silent, answer_as={"iss": ""}) as provider:
        assert (await Client(provider).signed_in()).subject == ANISE


async def test_a_provider_that_says_no_is_heard_and_nothing_of_its_text_is_repeated() -> None:
    said = {"error": "access_denied", "error_description": "call 0900", "code": ""}
    async with OpenIdProvider(answer_as=said) as provider:
        refused = await Client(provider).refused()
        assert (refused.why, refused.detail) == ("refused", "the provider said 'access_denied'")


@pytest.mark.parametrize("query", [b"state=a&state=b", b"state=%ff", b"\xff", b"&".join([b"a=b"] * 21), b"a" * 9_000])
async def test_what_is_no_answer_at_all_is_refused(query: bytes) -> None:
    async with OpenIdProvider() as provider:
        with pytest.raises(NotSignedIn, match="stale"):
            await Client(provider).party.came_back(query, "")
        assert provider.asked == {}


BAD_CONFIGURATIONS: list[Bend] = [
    lambda known: known | {"issuer": f"{known['issuer']}/"},
    lambda known: known | {"token_endpoint": "http://elsewhere.example/token"},
    lambda known: known | {"authorization_endpoint": "javascript:alert(1)"},
    lambda known: known | {"jwks_uri": "file:///etc/passwd"},
    lambda known: {name: value for name, value in known.items() if name != "jwks_uri"},
    lambda known: known | {"id_token_signing_alg_values_supported": ["HS256", "none"]},
    lambda _: [],
    lambda _: b"no json",
    lambda _: b"[" * 200_000,
    lambda _: b'{"issuer": "' + b"x" * 300_000 + b'"}',
]


@pytest.mark.parametrize("bend", BAD_CONFIGURATIONS)
async def test_a_configuration_that_can_not_be_used_is_none(bend: Bend) -> None:
    async with OpenIdProvider(bend_configuration=bend) as provider:
        refused = await Client(provider).refused()
        assert (refused.why, refused.then) == ("away", "/findings?state=open")
        assert provider.asked == {"/.well-known/openid-configuration": 1}


BAD_TOKENS: list[tuple[Bend, str]] = [
    (lambda known: {name: value for name, value in known.items() if name != "id_token"}, "untrusted"),
    (lambda known: known | {"id_token": 5}, "untrusted"),
    (lambda known: known | {"id_token": "a.b"}, "untrusted"),
    (lambda known: known | {"id_token": "é"}, "untrusted"),
    (lambda known: known | {"id_token": "x" * 200_000}, "untrusted"),
    (lambda _: [], "away"),
    (lambda _: b"no json", "away"),
    (lambda _: b"[" * 200_000, "away"),
    (lambda _: b'"' + b"x" * 300_000 + b'"', "away"),
]


@pytest.mark.parametrize(("bend", "why"), BAD_TOKENS)
async def test_an_answer_that_is_no_token_proves_nothing(bend: Bend, why: str) -> None:
    async with OpenIdProvider(bend_token=bend) as provider:
        assert (await Client(provider).refused()).why == why


async def test_a_packed_answer_is_not_unpacked() -> None:
    async with OpenIdProvider(packed=True) as provider:
        assert "packed" in (await Client(provider).refused()).detail


async def test_a_slow_provider_is_not_waited_for_and_not_asked_again_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (provider_module, party_module):
        monkeypatch.setattr(module, "ANSWER_S", 0.2)
    async with OpenIdProvider(slow_s=1.0) as provider:
        client = Client(provider)
        for _ in range(3):
            refused = await client.refused()
            assert (refused.why, "did not answer within" in refused.detail) == ("away", True)
        assert provider.asked.total() == 1
        provider.slow_s = 0.0
        client.at_us += 5 * SECOND_US
        await client.signed_in()
        provider.slow_s = 1.0
        assert "gave no token within" in (await client.refused()).detail


async def test_a_provider_that_went_away_is_said_so_and_what_it_said_serves_for_a_day() -> None:
    async with OpenIdProvider() as provider:
        client = Client(provider)
        begun = await client.begun()
        address = provider.authorized(begun.address)
        client.at_us += 10 * SECOND_US
    with pytest.raises(NotSignedIn) as refused:
        await client.back(address, begun.browser)
    assert (refused.value.why, refused.value.then) == ("away", "/findings?state=open")
    client.at_us += 3_600 * SECOND_US
    await client.begun()  # by what it said an hour ago
    client.at_us += 86_400 * SECOND_US
    with pytest.raises(NotSignedIn, match="can't be reached"):
        await client.begun()


async def test_few_wait_for_a_provider_at_once() -> None:
    async with OpenIdProvider() as provider:
        client = Client(provider)
        for _ in range(AT_ONCE):
            client.party.enter("/now")
        with pytest.raises(NotSignedIn, match="wait"):
            await client.begun()
        client.party.leave()
        assert await client.begun()
