"""[console]. Every setting is explained in contrib/example.toml."""

from __future__ import annotations

import ipaddress
import re
from typing import Annotated, Any, Final, Self

from pydantic import BeforeValidator, Field, IPvAnyAddress, model_validator

from pagereeve.ports.setting_types import Checked, Section
from pagereeve.settings.oidc import OidcSettings

# RFC 9110 section 5.6.2.
_TOKEN: Final = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]{1,100}")
# They say something else, and who asks may set them.
_TAKEN: Final = frozenset({"authorization", "cookie", "host", "origin", "referer", "x-forwarded-for"})


def _header_name(text: str) -> str:
    if _TOKEN.fullmatch(text) is None or text.lower() in _TAKEN or text.lower().startswith("pagereeve-"):
        raise ValueError(f"{text[:40]!r} can be no header of a proxy's own; name one such as X-Remote-User")
    return text


def _no_number(value: Any) -> Any:
    """Python takes 1 for 0.0.0.1, and false for 0.0.0.0: whoever wrote that meant no address."""
    if isinstance(value, int):
        raise ValueError(f'{value} is no address; write one as a text, such as "192.0.2.7"')  # noqa: TRY004 - pydantic's
    return value


ProxyAddress = Annotated[IPvAnyAddress, BeforeValidator(_no_number)]
HeaderName = Annotated[str, Checked(_header_name, {"pattern": f"^{_TOKEN.pattern}$"})]


class ConsoleSettings(Section):
    """[console]: the pages for people."""

    trusted_user_header: HeaderName | None = None
    trusted_proxies: Annotated[tuple[ProxyAddress, ...], Field(max_length=100)] = ()
    oidc: OidcSettings | None = None

    def trusts(self, peer: str) -> bool:
        """Is that address one of ``trusted_proxies``?"""
        if not self.trusted_proxies:
            return False
        try:
            address = ipaddress.ip_address(peer.partition("%")[0])
        except ValueError:
            return False
        mapped = getattr(address, "ipv4_mapped", None)
        return (mapped or address) in self.trusted_proxies

    @model_validator(mode="after")
    def _belong_together(self) -> Self:
        if self.trusted_user_header is not None and not self.trusted_proxies:
            raise ValueError("trusted_user_header needs trusted_proxies: the addresses of those that may send it")
        return self
