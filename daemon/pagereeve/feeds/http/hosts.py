"""Which hosts a request may be for (RFC 9110 section 7.2).

A page elsewhere can have a browser ask us under its own name (DNS rebinding), and a request that strayed here was meant
for somebody else.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Final

from pagereeve.feeds.refusals import Refusal

# RFC 3986 section 3.2.2, without what no name of a machine holds; the port may be empty.
_HOST: Final = re.compile(rb"(\[[0-9A-Fa-f:.]{2,45}\]|[A-Za-z0-9._-]{1,253})(?::[0-9]{0,5})?")
_ABSOLUTE: Final = re.compile(rb"[A-Za-z][A-Za-z0-9+.-]*://(?:[^/?#@]*@)?([^/?#]*)")
SHOWN_MAX: Final = 80
Address = ipaddress.IPv4Address | ipaddress.IPv6Address


def host_asked_for(target: bytes, host_lines: Sequence[bytes], version: str) -> str:
    """The host of a request: of its target where that has one, else of its Host line; "" where HTTP/1.0 names none.

    Raises Refusal (RFC 9112 section 3.2: no Host line, more than one, or one that is no host).
    """
    if len(host_lines) > 1:
        raise Refusal("bad-http", "Host", "is there more than once; send one (RFC 9112 section 3.2)")
    if not host_lines and version == "1.1":
        raise Refusal("bad-http", "Host", "is missing; HTTP/1.1 needs it (RFC 9112 section 3.2)")
    absolute = _ABSOLUTE.match(target)
    named = absolute[1] if absolute else host_lines[0].strip() if host_lines else b""
    if not named and not host_lines:
        return ""
    found = _HOST.fullmatch(named)
    if found is None:
        raise Refusal("bad-http", "Host", "is no host and port; send the address that you connect to")
    return found[1].decode("ascii").lower().rstrip(".")


class Hosts:
    """``names`` are ours beside the address that a connection came to; "*.NAME" stands for one label before NAME."""

    def __init__(self, names: Iterable[str]) -> None:
        lowered = {name.lower().rstrip(".") for name in names}
        self._addresses = {address for name in lowered if (address := _address(name)) is not None}
        self._wildcards = frozenset(name[1:] for name in lowered if name.startswith("*."))
        self._names = frozenset(lowered)

    def require(self, host: str, here: str) -> None:
        """``here`` is the address that the connection came to. Raises Refusal (misdirected)."""
        if host and not self.serves(host, here):
            shown = f"{host[:SHOWN_MAX]!r}"
            problem = (
                f"{shown} is none of our names; send the address that you connect to, or add it to names in [http]"
            )
            raise Refusal("misdirected", "Host", problem)

    def serves(self, host: str, here: str) -> bool:
        local = _address(here.partition("%")[0])
        at_home = local is not None and local.is_loopback
        address = _address(host.strip("[]"))
        if address is not None:
            # A name can be made to lead anywhere, an address can't.
            return address == local or address in self._addresses or (at_home and address.is_loopback)
        if host in self._names or f".{host.partition('.')[2]}" in self._wildcards:
            return True
        # RFC 6761 section 6.3.
        return at_home and (host == "localhost" or host.endswith(".localhost"))


@lru_cache(maxsize=1_024)
def _address(text: str) -> Address | None:
    try:
        return ipaddress.ip_address(text)
    except ValueError:
        return None
