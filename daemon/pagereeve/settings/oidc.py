"""[console.oidc]. Every setting is explained in contrib/example.toml."""

from __future__ import annotations

import ipaddress
from pathlib import Path
from typing import Annotated
from urllib.parse import urlsplit

from pydantic import StringConstraints

from pagereeve.ports.setting_types import Checked, Section, Url

_SECURE = {"pattern": r"^([Hh][Tt][Tt][Pp][Ss]://|[Hh][Tt][Tt][Pp]://(127\.|localhost|\[::1\]))[^?]*$"}
_ORIGIN = {"pattern": r"^[A-Za-z]+://[^/?]+$"}


def is_secure(url: str) -> bool:
    """TLS, or this machine alone, where nobody listens in. False for what is no URL with a host."""
    try:
        parts = urlsplit(url)
        host = parts.hostname or ""
        _ = parts.port
    except ValueError:
        return False
    return bool(host) and (parts.scheme == "https" or (parts.scheme == "http" and _is_loopback(host)))


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _secure(url: str) -> str:
    """OpenID Connect Core 1.0 section 2, "iss": https, and no query."""
    if not is_secure(url) or "?" in url:
        raise ValueError("is no address of https without a query (http is for this machine alone)")
    return url


def _origin(url: str) -> str:
    scheme, host, path, query, _ = urlsplit(url)
    if path or query:
        raise ValueError(f"holds a path; write {scheme}://{host}")
    return url.lower()


SecureUrl = Annotated[Url, Checked(_secure, _SECURE)]


class OidcSettings(Section):
    """[console.oidc]: people sign in at an OpenID provider."""

    issuer: SecureUrl
    client_id: Annotated[str, StringConstraints(min_length=1, max_length=256, pattern=r"^[\x20-\x7e]+$")]
    client_secret_file: Path
    public_address: Annotated[SecureUrl, Checked(_origin, _ORIGIN)]
    ca_file: Path | None = None
    sign_out_there: bool = False

    @property
    def redirect_uri(self) -> str:
        return f"{self.public_address}{BACK}"

    @property
    def signed_out_uri(self) -> str:
        return f"{self.public_address}{OUT}"

    @property
    def start(self) -> str:
        """Where a browser begins: at the address to which it comes back, since cookies are that host's."""
        return f"{self.public_address}{START}"

    @property
    def issuer_host(self) -> str:
        _, host, *_ = urlsplit(self.issuer)
        return host


START = "/sign-in/oidc"
BACK = "/sign-in/oidc/back"
OUT = "/sign-in/oidc/out"
