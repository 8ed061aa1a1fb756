"""A name in a route's path: whatever it holds, a slash too, it is one step there, and comes back as it was.

Servers give paths decoded (asgi.readthedocs.io, "path"), in which a name's own slashes are as those between steps.
"""

from __future__ import annotations

from typing import Final

from starlette.convertors import Convertor, register_url_convertor

from pagereeve.domain.values.address_step import name_of_step, one_step

# In a route's path: {name:step}; the second where an address of a check may stand behind it.
STEP: Final = "step"
SEVERAL: Final = "several"


class _Step(Convertor[str]):
    regex = r"(?s:.*)"

    def convert(self, value: str) -> str:
        return name_of_step(value)

    def to_string(self, value: str) -> str:
        return one_step(value)


class _Several(_Step):
    """A name, but for one that ends as the address of a check does: that is another resource."""

    regex = r"(?s:.+?)(?<!/check)"


register_url_convertor(STEP, _Step())
register_url_convertor(SEVERAL, _Several())
