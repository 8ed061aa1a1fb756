"""What a browser's request shows: its cookie, its form, whose page sent it, and where it is to go afterwards."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final
from urllib.parse import parse_qsl, urlsplit

Headers = Sequence[tuple[bytes, bytes]]

COOKIE: Final = "pagereeve-session"
SAFE_METHODS: Final = frozenset({"GET", "HEAD", "OPTIONS"})
"""They change nothing (RFC 9110 section 9.2.1)."""
FORM_TYPE: Final = b"application/x-www-form-urlencoded"
FIELDS_MAX: Final = 100
THEN_MAX: Final = 2_000
FIRST_PAGE: Final = "/now"
SIGN_IN: Final = "/sign-in"
SIGN_OUT: Final = "/sign-out"
SHOW_NAMES: Final = "/names"
HIDE_NAMES: Final = "/names/hide"
POSTED: Final = frozenset({SIGN_OUT, SHOW_NAMES, HIDE_NAMES})
# One slash, then nothing that a browser reads as another host or drops: no second one, no backslash, no blank, no
# control character (WHATWG URL, "basic URL parser": it removes tabs and newlines, and takes a backslash for a slash).
_PATH: Final = re.compile(r"/(?![/\\])[!-\[\]-~]*")


def values_of(headers: Headers, name: bytes) -> list[bytes]:
    return [value for one, value in headers if one == name]


def cookie_name(*, secure: bool, base: str = COOKIE) -> str:
    """With TLS no other host, and no path, can set one of that name (RFC 6265bis section 4.1.3.2)."""
    return f"__Host-{base}" if secure else base


def cookie_of(headers: Headers, name: str) -> str:
    """Its value; empty where there is none, or more than one: nobody could say which of them is ours."""
    pairs = (pair.strip().partition(b"=") for line in values_of(headers, b"cookie") for pair in line.split(b";"))
    found = [value for one, _, value in pairs if one == name.encode()]
    return found[0].decode("latin-1") if len(found) == 1 else ""


def set_cookie(value: str, *, secure: bool, base: str = COOKIE, lasts_s: int | None = None) -> bytes:
    """An empty value removes it; without ``lasts_s`` it goes when the browser ends."""
    flags = "; Secure" if secure else ""
    ends = "; Max-Age=0" if not value else "" if lasts_s is None else f"; Max-Age={lasts_s}"
    return f"{cookie_name(secure=secure, base=base)}={value}; Path=/; HttpOnly; SameSite=Lax{flags}{ends}".encode()


def is_foreign(headers: Headers, *, tls: bool) -> bool:
    """Did a page of another origin send it? Browsers say so (Fetch Metadata, section 2.3; RFC 6454 section 7); other
    programs say nothing.
    """
    sites = values_of(headers, b"sec-fetch-site")
    if sites and sites != [b"same-origin"]:
        return True
    origins = values_of(headers, b"origin")
    return bool(origins) and not (len(origins) == 1 and _is_own(origins[0], values_of(headers, b"host"), tls=tls))


def _is_own(origin: bytes, hosts: Sequence[bytes], *, tls: bool) -> bool:
    """Behind a proxy that speaks TLS we are asked without, so that either scheme is ours then."""
    scheme, _, host = origin.decode("latin-1").lower().partition("://")
    return (scheme == "https" or (scheme == "http" and not tls)) and [host] == [
        one.decode("latin-1").strip().lower() for one in hosts
    ]


def is_htmx(headers: Headers) -> bool:
    """Did a page's script ask for a part of it (htmx.org, reference, "HX-Request")?"""
    return values_of(headers, b"hx-request") == [b"true"]


def is_by_itself(method: str, headers: Headers) -> bool:
    """Does a page that moves ask for what is new, and no person?"""
    streams = any(b"text/event-stream" in value for value in values_of(headers, b"accept"))
    return method in SAFE_METHODS and (streams or is_htmx(headers))


def is_form(headers: Headers) -> bool:
    return [value.partition(b";")[0].strip().lower() for value in values_of(headers, b"content-type")] == [FORM_TYPE]


def form_of(body: bytes) -> Mapping[str, str] | None:
    """None for what is no form in UTF-8, or holds a field twice."""
    try:
        pairs = parse_qsl(body.decode("ascii"), keep_blank_values=True, max_num_fields=FIELDS_MAX, errors="strict")
    except ValueError:
        return None
    fields = dict(pairs)
    return fields if len(fields) == len(pairs) else None


def own_path(then: str) -> str:
    """A path of ours with its query; the first page's for anything else."""
    if len(then) > THEN_MAX or _PATH.fullmatch(then) is None:
        return FIRST_PAGE
    scheme, host, path, *_ = urlsplit(then)
    return FIRST_PAGE if scheme or host or path in POSTED or f"{path}/".startswith(f"{SIGN_IN}/") else then


def page_before(headers: Headers) -> str:
    """The page whose form was sent, as its browser says (RFC 9110 section 10.1.3)."""
    found = values_of(headers, b"referer")
    if len(found) != 1:
        return FIRST_PAGE
    try:
        parts = urlsplit(found[0].decode("latin-1"))
    except ValueError:
        return FIRST_PAGE
    return own_path(f"{parts.path}?{parts.query}" if parts.query else parts.path)
