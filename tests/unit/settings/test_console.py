"""[console]: which header, and from whom; which OpenID provider."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from pagereeve.app.oidc import oidc_secrets, require_oidc
from pagereeve.settings import BadSettings, Settings
from pagereeve.settings.console import ConsoleSettings
from pagereeve.settings.oidc import OidcSettings

PROXIES = ["192.0.2.7", "2001:db8::7"]


@pytest.mark.parametrize(
    ("given", "word"),
    [
        ({"trusted_user_header": "X-Remote-User"}, "needs trusted_proxies"),
        ({"trusted_proxies": [False]}, "is no address"),
        ({"trusted_proxies": [3232235777]}, "is no address"),
        ({"trusted_user_header": "X Remote", "trusted_proxies": PROXIES}, "can be no header"),
        ({"trusted_user_header": "Cookie", "trusted_proxies": PROXIES}, "can be no header"),
        ({"trusted_user_header": "authorization", "trusted_proxies": PROXIES}, "can be no header"),
        ({"trusted_user_header": "Pagereeve-Asker", "trusted_proxies": PROXIES}, "can be no header"),
        ({"trusted_user_header": "", "trusted_proxies": PROXIES}, "can be no header"),
        ({"trusted_proxies": ["proxy.example"]}, "address"),
        ({"trusted_proxies": ["192.0.2.0/24"]}, "address"),
    ],
)
def test_what_nobody_could_mean_is_refused(given: dict[str, Any], word: str) -> None:
    with pytest.raises(ValidationError, match=word):
        ConsoleSettings.model_validate(given)


def test_only_addresses_that_are_listed_are_trusted() -> None:
    settings = ConsoleSettings.model_validate({"trusted_user_header": "X-Remote-User", "trusted_proxies": PROXIES})
    for peer in ("192.0.2.7", "::ffff:192.0.2.7", "2001:db8:0::7"):
        assert settings.trusts(peer)
    for peer in ("192.0.2.70", "192.0.2.8", "", "localhost", "2001:db8::8", "::1"):
        assert not settings.trusts(peer)
    assert not ConsoleSettings().trusts("127.0.0.1")


OIDC = {
    "issuer": "https://id.example/realms/college",
    "client_id": "pagereeve",
    "client_secret_file": "secret",
    "public_address": "https://Pages.example:8731",
}


def test_where_a_browser_comes_back_is_made_of_the_settings() -> None:
    settings = OidcSettings.model_validate(OIDC)
    assert settings.redirect_uri == "https://pages.example:8731/sign-in/oidc/back"
    assert settings.issuer_host == "id.example"
    for loopback in ("http://127.0.0.1:9", "http://localhost:9", "http://[::1]:9"):
        OidcSettings.model_validate(OIDC | {"issuer": loopback, "public_address": loopback})


@pytest.mark.parametrize(
    ("name", "value", "word"),
    [
        ("issuer", "http://id.example", "no address of https"),
        ("issuer", "http://127.0.0.1.example", "no address of https"),
        ("issuer", "https://id.example?tenant=1", "no address of https"),
        ("issuer", "https://id.example#x", "holds a user"),
        ("issuer", "https://u:p@id.example", "holds a user"),
        ("issuer", "id.example", "is no URL"),
        ("public_address", "https://pages.example/", "holds a path; write https://pages.example"),
        ("public_address", "https://pages.example/console", "holds a path"),
        ("public_address", "http://pages.example", "no address of https"),
        ("client_id", "", "at least 1 character"),
        ("client_id", "a\nb", "match pattern"),
    ],
)
def test_an_issuer_and_an_address_must_be_safe(name: str, value: str, word: str) -> None:
    with pytest.raises(ValidationError, match=word):
        OidcSettings.model_validate(OIDC | {name: value})


def test_what_can_not_be_read_is_said_before_anybody_signs_in(tmp_path: Path) -> None:
    def settings(**more: object) -> Settings:
        return Settings(console=ConsoleSettings.model_validate({"oidc": OIDC | more}))

    secret = tmp_path / "secret"
    with pytest.raises(BadSettings, match="can't be read"):
        require_oidc(settings(client_secret_file=secret))
    secret.write_text("s3cret\n")
    require_oidc(settings(client_secret_file=secret))
    assert oidc_secrets(settings(client_secret_file=secret)) == ["s3cret"]
    with pytest.raises(BadSettings, match="PEM"):
        require_oidc(settings(client_secret_file=secret, ca_file=secret))
    require_oidc(Settings())


def test_without_the_extra_the_settings_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pagereeve.console.sign_in.oidc.relying_party", None)
    with pytest.raises(BadSettings, match=r"pip install 'pagereeve\[oidc\]'"):
        require_oidc(Settings(console=ConsoleSettings.model_validate({"oidc": OIDC})))
