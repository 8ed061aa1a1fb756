"""Requests for other hosts: RFC 9110 section 7.2, RFC 9112 section 3.2, and what DNS rebinding tries."""

from __future__ import annotations

import pytest

from pagereeve.feeds.http.hosts import Hosts, host_asked_for
from pagereeve.feeds.refusals import Refusal

NAMES = ("pages.college.example", "192.0.2.7", "*.print.example", "2001:db8::7")


@pytest.mark.parametrize(
    ("host", "here", "served"),
    [
        ("pages.college.example", "192.0.2.1", True),
        ("pages.college.example", "127.0.0.1", True),
        ("192.0.2.1", "192.0.2.1", True),
        ("192.0.2.7", "10.0.0.5", True),
        ("192.0.2.8", "192.0.2.1", False),
        ("[2001:db8::1]", "2001:db8:0:0::1", True),
        ("[2001:db8:0::7]", "2001:db8::1", True),
        ("[fe80::1]", "fe80::1%eth0", True),
        ("localhost", "127.0.0.1", True),
        ("app.localhost", "::1", True),
        ("127.0.0.2", "127.0.0.1", True),
        ("[::1]", "127.0.0.1", True),
        ("localhost", "192.0.2.1", False),
        ("127.0.0.1", "192.0.2.1", False),
        ("0.0.0.0", "127.0.0.1", False),
        ("evil.example", "127.0.0.1", False),
        ("127.0.0.1.evil.example", "127.0.0.1", False),
        ("localhost.evil.example", "127.0.0.1", False),
        ("one.print.example", "192.0.2.1", True),
        ("print.example", "192.0.2.1", False),
        ("two.one.print.example", "192.0.2.1", False),
    ],
)
def test_our_own_names_and_no_others(host: str, here: str, served: bool) -> None:
    hosts = Hosts(NAMES)
    assert hosts.serves(host, here) is served
    if served:
        hosts.require(host, here)
        return
    with pytest.raises(Refusal) as refused:
        hosts.require(host, here)
    assert (refused.value.reason, refused.value.where) == ("misdirected", "Host")
    assert "names in [http]" in refused.value.problem


def test_a_request_of_http_1_0_may_name_no_host() -> None:
    assert host_asked_for(b"/", [], "1.0") == ""
    Hosts(()).require("", "127.0.0.1")


@pytest.mark.parametrize(
    ("target", "lines", "host"),
    [
        (b"/v1/events", [b"Pages.College.Example:8731"], "pages.college.example"),
        (b"/", [b"pages.college.example."], "pages.college.example"),
        (b"/", [b"[2001:db8::1]:8731"], "[2001:db8::1]"),
        (b"/", [b" 192.0.2.1: "], "192.0.2.1"),
        # RFC 9112 section 3.2.2: of a target in absolute form the target's host counts.
        (b"http://evil.example/healthz", [b"localhost"], "evil.example"),
        (b"HTTP://user@Evil.example:80", [b"localhost"], "evil.example"),
        (b"/?at=http://evil.example/", [b"localhost"], "localhost"),
    ],
)
def test_the_host_of_a_request(target: bytes, lines: list[bytes], host: str) -> None:
    assert host_asked_for(target, lines, "1.1") == host


@pytest.mark.parametrize(
    "lines",
    [
        [],
        [b"localhost", b"localhost"],
        [b"localhost", b"evil.example"],
        [b""],
        [b"a b"],
        [b"localhost:123456"],
        [b"localhost:80:80"],
        [b"::1"],
        [b"[::1"],
        [b"user@localhost"],
        [b"localhost/evil"],
        [b"localhost,evil.example"],
        [b"\xc3\xa4.example"],
        [b"a" * 254],
    ],
)
def test_a_request_without_one_good_host_is_refused(lines: list[bytes]) -> None:
    with pytest.raises(Refusal) as refused:
        host_asked_for(b"/", lines, "1.1")
    assert (refused.value.reason, refused.value.where) == ("bad-http", "Host")
