"""Certificates of the port, read from files: what can't be used is named, and nothing of a key is told."""

from __future__ import annotations

import ssl
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import serialization

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.credentials.callers import Caller
from pagereeve.feeds.http.client_certificates import ClientCertificates, names_of
from pagereeve.feeds.http.settings import ClientSettings, HttpSettings
from pagereeve.feeds.http.tls import BadCertificate, TlsFiles, server_certificate
from pagereeve.settings.open_address import open_address_problem
from tests.integration.certificates import Authority, Certificate

DAY_US = 86_400 * 1_000_000


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path)


def files(made: Certificate, client_ca: Path | None = None) -> TlsFiles:
    return TlsFiles(made.certificate, made.key, client_ca)


def test_what_a_certificate_is_for_and_how_long(authority: Authority) -> None:
    made = authority.issue("pages", x509.DNSName("pages.college.example"), x509.DNSName("*.print.example"))
    found = server_certificate(files(made, authority.own.certificate))
    assert found.names == {"pages.college.example", "*.print.example"}
    now_us = SystemClock().now_us()
    assert found.date_problem(now_us) == ""
    assert "expired at" in found.date_problem(now_us + 3 * DAY_US)
    assert "is not valid before" in found.date_problem(now_us - 3 * DAY_US)
    assert [(one.subject, one.ours) for one in found.expiries] == [("CN=pages", True), ("CN=pagereeve test", False)]
    assert found.context.minimum_version == ssl.TLSVersion.TLSv1_2
    assert found.context.verify_mode == ssl.CERT_OPTIONAL
    assert server_certificate(files(made)).context.verify_mode == ssl.CERT_NONE


def test_the_digest_changes_with_each_of_the_files(authority: Authority, tmp_path: Path) -> None:
    made, ca = authority.issue("pages"), authority.own.certificate
    known = {server_certificate(files(made)).digest, server_certificate(files(made, ca)).digest}
    assert server_certificate(files(made)).digest in known
    (tmp_path / "other").mkdir()
    known.add(server_certificate(files(authority.issue("pages"))).digest)
    known.add(server_certificate(files(made, Authority(tmp_path / "other").own.certificate)).digest)
    assert len(known) == 4


def test_one_that_has_expired_is_read_and_said_to_be(authority: Authority) -> None:
    """Our own clock may be the one that is wrong; whoever starts decides."""
    found = server_certificate(files(authority.issue("old", days=-3)))
    assert "expired at" in found.date_problem(SystemClock().now_us())


def encrypted(key: Path) -> None:
    loaded = serialization.load_pem_private_key(key.read_bytes(), None)
    best = serialization.BestAvailableEncryption(b"an-invented-passphrase")
    key.write_bytes(loaded.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, best))


def test_each_file_that_can_not_be_used_is_named(authority: Authority, tmp_path: Path) -> None:
    made, other = authority.issue("pages"), authority.issue("other")
    locked = authority.issue("locked")
    encrypted(locked.key)
    secret = made.key.read_text().splitlines()[1]
    endless = tmp_path / "endless.pem"
    endless.write_bytes(b"x" * (2**20 + 1))
    empty = tmp_path / "empty.pem"
    empty.write_text("")
    for given, told in (
        (TlsFiles(tmp_path / "gone.pem", made.key), "gone.pem can't be read (No such file or directory)"),
        (TlsFiles(made.certificate, tmp_path / "gone.key"), "gone.key can't be read"),
        (TlsFiles(made.certificate, other.key), "other.key is not the key of"),
        (TlsFiles(made.key, made.key), "pages.key holds no certificate in PEM"),
        (TlsFiles(made.certificate, made.certificate), "pages.pem holds no private key in PEM"),
        (TlsFiles(made.certificate, locked.key), "locked.key is under a passphrase"),
        (TlsFiles(made.certificate, made.key, empty), "empty.pem holds no certificate in PEM"),
        (TlsFiles(made.certificate, made.key, made.key), "pages.key holds no certificate in PEM"),
        (TlsFiles(endless, made.key), "is longer than 1048576 bytes"),
    ):
        with pytest.raises(BadCertificate) as raised:
            server_certificate(given)
        assert told in str(raised.value)
        assert secret not in str(raised.value)


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"certificate_file": "a"}, "certificate_file and key_file belong together"),
        ({"key_file": "a"}, "certificate_file and key_file belong together"),
        ({"client_ca_file": "a"}, "client_ca_file needs a certificate_file"),
        ({"clients": [{"name": "a", "acts": ["send"]}]}, r"\[\[http.clients\]\] need a client_ca_file"),
        ({"clients": [{"name": "a", "acts": ["rule"]}]}, "rule|decide"),
        ({"clients": [{"name": "a", "acts": []}]}, "at least 1"),
        ({"clients": [{"name": "a", "acts": ["send"], "types": ["no.such"]}]}, "'no.such' is no type of event"),
        ({"names": ["http://x"]}, "is no host"),
        (
            {"clients": [{"name": n, "acts": ["send"]} for n in "aA"], "client_ca_file": "a"}
            | {"certificate_file": "a", "key_file": "b"},
            "has the name 'a' twice",
        ),
    ],
)
def test_settings_that_do_not_belong_together(given: dict[str, object], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        HttpSettings.model_validate(given)


def test_a_certificates_name_says_who_asks() -> None:
    shown = {
        "subject": ((("countryName", "XX"),), (("commonName", "Release-Server"),)),
        "subjectAltName": (("DNS", "rs.college.example"), ("URI", "urn:rs"), ("DirName", "no name")),
    }
    assert names_of(shown) == ("Release-Server", "rs.college.example", "urn:rs")
    assert (names_of(None), names_of({})) == ((), ())
    row = ClientSettings.model_validate({"name": "RS.college.example", "acts": ["send"], "sources": ["/release"]})
    clients = ClientCertificates([row])
    caller = clients.caller_of(names_of(shown))
    assert caller == Caller("RS.college.example", frozenset({"send"}), frozenset({"/release"}))
    assert clients.caller_of(["college.example", "*.college.example"]) is None
    clients.change([])
    assert clients.caller_of(names_of(shown)) is None


@pytest.mark.parametrize(
    ("listen", "more", "refused"),
    [
        ("127.0.0.1:8731", {}, False),
        ("[::1]:8731", {}, False),
        ("localhost:8731", {}, False),
        ("0.0.0.0:8731", {}, True),
        ("[::]:8731", {}, True),
        ("192.0.2.1:8731", {}, True),
        ("pages.college.example:8731", {}, True),
        ("192.0.2.1:8731", {"behind_proxy": True}, False),
        ("192.0.2.1:8731", {"token_files": ["t"]}, False),
        ("192.0.2.1:8731", {"certificate_file": "c", "key_file": "k"}, True),
        ("192.0.2.1:8731", {"certificate_file": "c", "key_file": "k", "client_ca_file": "a"}, False),
    ],
)
def test_an_address_that_others_reach_needs_somebody_who_asks(
    listen: str, more: dict[str, object], refused: bool
) -> None:
    http = HttpSettings.model_validate({"listen": listen, **more})
    assert bool(open_address_problem(http)) is refused
    assert open_address_problem(http, credentials=True) == ""
