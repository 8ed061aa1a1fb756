"""A name in an address: whatever it holds, a slash too, it is one step there, and comes back as it was.

Servers give paths decoded (asgi.readthedocs.io, "path"), in which a name's own slashes are as those between steps.
"""

from __future__ import annotations

from typing import Final
from urllib.parse import quote

from starlette.convertors import Convertor, register_url_convertor

# In a route's path: {name:several}.
SEVERAL: Final = "several"


def one_step(name: str) -> str:
    """Dots of a name between slashes would be steps up (RFC 3986 section 5.2.4), if these were not written as %2F."""
    return quote(name, safe="", errors="surrogatepass")


class _Several(Convertor[str]):
    """A name, but for one that ends as the address of a check does: that is another resource."""

    regex = r".+?(?<!/check)"

    def convert(self, value: str) -> str:
        return value

    def to_string(self, value: str) -> str:
        return value


register_url_convertor(SEVERAL, _Several())
