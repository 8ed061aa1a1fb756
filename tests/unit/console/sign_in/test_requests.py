"""What a browser shows, and what others would have it show."""

from __future__ import annotations

import pytest

from pagereeve.console.sign_in.requests import (
    FIRST_PAGE,
    cookie_of,
    form_of,
    is_foreign,
    is_form,
    own_path,
    page_before,
    set_cookie,
)


@pytest.mark.parametrize(
    "then",
    [
        *("//evil.example", "///evil.example", "/\\evil.example", "\\\\evil.example", "/\t/evil.example", "/\n/evil"),
        *("https://evil.example/", "https:evil.example", "javascript:alert(1)", "evil.example", "", " /now", "/now x"),
        *("/now\r\nSet-Cookie: a=b", "/now\0", "/nöw", "/" + "x" * 2_000, "/a\\b", "/\u2028"),
        *("/sign-in", "/sign-in?then=/now", "/sign-out", "/names", "/names/hide"),
    ],
)
def test_what_is_no_path_of_ours_leads_to_the_first_page(then: str) -> None:
    """WHATWG URL, "basic URL parser"; OWASP's cheat sheet on unvalidated redirects names these forms."""
    assert own_path(then) == FIRST_PAGE


@pytest.mark.parametrize(
    "then", ["/", "/now", "/findings/f-1?state=open&x=%2F%2Fevil", "/releases/a%2Fb?source=%2Fs", "/%2f%2fevil.example"]
)
def test_a_path_of_ours_stays_as_it_is(then: str) -> None:
    assert own_path(then) == then


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        ([b"pagereeve-session=abc"], "abc"),
        ([b"a=b; pagereeve-session=abc;c=d"], "abc"),
        ([b"a=b", b"pagereeve-session=abc"], "abc"),
        ([b"pagereeve-session=abc; pagereeve-session=abc"], ""),
        ([b"pagereeve-session=abc", b"pagereeve-session=xyz"], ""),
        ([b"xpagereeve-session=abc; pagereeve-session2=x"], ""),
        ([b"__Host-pagereeve-session=abc"], ""),
        ([b"Pagereeve-Session=abc"], ""),
        ([b"pagereeve-session"], ""),
        ([b"pagereeve-session=\xff\x00"], "\xff\x00"),
        ([], ""),
    ],
)
def test_a_cookie_is_ours_where_it_is_there_once(lines: list[bytes], found: str) -> None:
    assert cookie_of([(b"cookie", one) for one in lines], "pagereeve-session") == found


def test_flags_of_the_cookie() -> None:
    assert set_cookie("abc", secure=False) == b"pagereeve-session=abc; Path=/; HttpOnly; SameSite=Lax"
    secure = b"__Host-pagereeve-session=abc; Path=/; HttpOnly; SameSite=Lax; Secure"
    assert set_cookie("abc", secure=True) == secure
    assert set_cookie("", secure=True).endswith(b"; Secure; Max-Age=0")


HOST = (b"host", b"pages.example:8731")


@pytest.mark.parametrize(
    ("headers", "tls", "foreign"),
    [
        ([], False, False),
        ([(b"sec-fetch-site", b"same-origin")], False, False),
        ([(b"sec-fetch-site", b"same-site")], False, True),
        ([(b"sec-fetch-site", b"cross-site")], False, True),
        ([(b"sec-fetch-site", b"none")], False, True),
        ([(b"sec-fetch-site", b"same-origin"), (b"sec-fetch-site", b"cross-site")], False, True),
        ([(b"origin", b"http://pages.example:8731")], False, False),
        ([(b"origin", b"https://pages.example:8731")], False, False),
        ([(b"origin", b"HTTPS://Pages.example:8731")], True, False),
        ([(b"origin", b"http://pages.example:8731")], True, True),
        ([(b"origin", b"http://pages.example")], False, True),
        ([(b"origin", b"http://pages.example:8732")], False, True),
        ([(b"origin", b"http://pages.example:8731.evil.example")], False, True),
        ([(b"origin", b"http://evil.example")], False, True),
        ([(b"origin", b"null")], False, True),
        ([(b"origin", b"")], False, True),
        ([(b"origin", b"http://pages.example:8731"), (b"origin", b"http://evil.example")], False, True),
        ([(b"sec-fetch-site", b"same-origin"), (b"origin", b"http://evil.example")], False, True),
    ],
)
def test_who_sent_it_is_said_by_browsers(headers: list[tuple[bytes, bytes]], *, tls: bool, foreign: bool) -> None:
    """Fetch Metadata section 2.3, RFC 6454 section 7: an origin is scheme, host and port."""
    assert is_foreign([HOST, *headers], tls=tls) is foreign


@pytest.mark.parametrize(
    ("body", "fields"),
    [
        (b"", {}),
        (b"name=mara&password=a+b%26c&then=", {"name": "mara", "password": "a b&c", "then": ""}),
        (b"name=m%C3%A4ra", {"name": "mära"}),
        (b"name=a&name=b", None),
        (b"name=%FF", None),
        (b"name=\xff", None),
        (b"name=a%00b", {"name": "a\0b"}),
        (b"&".join(b"n%d=1" % nth for nth in range(101)), None),
    ],
)
def test_a_form_is_read_strictly(body: bytes, fields: dict[str, str] | None) -> None:
    assert form_of(body) == fields


def test_a_form_says_that_it_is_one() -> None:
    kind = b"Application/x-www-form-urlencoded; charset=UTF-8"
    assert is_form([(b"content-type", kind)])
    for other in ([], [(b"content-type", b"text/plain")], [(b"content-type", kind)] * 2):
        assert not is_form(other)


@pytest.mark.parametrize(
    ("referer", "path"),
    [
        (b"http://pages.example/releases?person=u", "/releases?person=u"),
        (b"http://evil.example//evil", FIRST_PAGE),
        (b"http://[broken", FIRST_PAGE),
        (b"http://pages.example", FIRST_PAGE),
        (b"http://pages.example/n\xf6", FIRST_PAGE),
    ],
)
def test_where_a_form_was_is_where_it_leads_back(referer: bytes, path: str) -> None:
    assert page_before([(b"referer", referer)]) == path
    assert page_before([(b"referer", referer)] * 2) == FIRST_PAGE
