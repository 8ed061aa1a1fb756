"""An address that other machines reach needs somebody who asks who is there: credentials, or a proxy that does it."""

from __future__ import annotations

import ipaddress
from typing import Final

from pagereeve.feeds.http.settings import HttpSettings

_TODO: Final = (
    "is reached by other machines, and nobody who connects there must show who it is: let senders show a credential "
    "(pagereeve credentials, token_files, or client_ca_file with certificate_file), listen on 127.0.0.1, or write "
    "behind_proxy = true if a proxy in front of it asks"
)


def open_address_problem(http: HttpSettings, *, credentials: bool = False) -> str:
    """Empty where it may be listened on. ``credentials``: there are some beside those that the settings name."""
    guarded = credentials or http.token_files or http.client_ca_file is not None or http.behind_proxy
    return "" if guarded or is_loopback(http.listen.host) else f"{http.listen} {_TODO}"


def is_loopback(host: str) -> bool:
    """A name other than localhost may lead anywhere (RFC 6761 section 6.3)."""
    try:
        return ipaddress.ip_address(host.partition("%")[0]).is_loopback
    except ValueError:
        return host.lower().rstrip(".") == "localhost"
