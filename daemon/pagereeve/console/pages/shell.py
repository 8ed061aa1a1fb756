"""What every page has: its frame, its words for figures and instants, and the headers that keep a browser safe."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, partial
from importlib import resources
from typing import Any, Final
from urllib.parse import quote
from zoneinfo import ZoneInfo

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.responses import HTMLResponse

from pagereeve.console.api.asker import CSRF_FIELD, CSRF_HEADER, Asker
from pagereeve.console.pages.own_words import own_words, word
from pagereeve.domain.accounts.periods import local
from pagereeve.domain.values.address_step import one_step
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.visible import visible
from pagereeve.reports.writing import Writing

THIN_SPACE: Final = "\u202f"
"""Between groups of three figures: understood in every locale (ISO 80000-1, 7.3.1). No line breaks there."""
_GROUPS: Final = re.compile(f"(?<=[0-9]){THIN_SPACE}(?=[0-9]{{3}})")
MINUS: Final = "\u2212"
STATIC: Final = "/static"
CUT: Final = Markup("<!-- cut -->")
"""Behind a page's heading, while it is made. No value can hold it: each is escaped."""
# Nothing from elsewhere, nothing inline: https://www.w3.org/TR/CSP3/
HEADERS: Final[Mapping[str, str]] = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "Referrer-Policy": "same-origin",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Opener-Policy": "same-origin",
}


@dataclass(frozen=True, slots=True)
class Place:
    """An entry of the navigation."""

    path: str
    title: str


PLACES: Final = (
    Place("/now", "Now"),
    Place("/printers", "Printers"),
    Place("/releases", "Releases"),
    Place("/findings", "Findings"),
    Place("/accounts", "Accounts"),
    Place("/installation", "Installation"),
    Place("/words", "Words"),
)


def figure(pages: int | None) -> str:
    """In groups of three; ? is not known."""
    if pages is None:
        return "?"
    grouped = f"{abs(pages):,}".replace(",", THIN_SPACE)
    return f"{MINUS}{grouped}" if pages < 0 else grouped


def visible_text(text: str) -> str:
    """As ``visible`` has it, but for what separates the groups of a figure."""
    return THIN_SPACE.join(visible(one) for one in _GROUPS.split(text))


def _in_query(value: str) -> str:
    return quote(value, safe="", errors="surrogatepass")


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("pagereeve.console.pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"figure": figure, "visible": visible_text, "urlencode": _in_query, "step": one_step}
    environment.globals |= {"amount": partial(amount, figure=figure), "static": static_address, "places": PLACES}
    environment.globals |= {"cut": CUT, "word": word, "own_words": own_words}
    environment.globals |= {"csrf_field": CSRF_FIELD, "csrf_header": CSRF_HEADER}
    return environment


@dataclass(frozen=True, slots=True)
class Clock:
    """Instants as the site's people read them."""

    zone: ZoneInfo

    def day(self, at_us: int) -> str:
        return local(at_us, self.zone).strftime("%Y-%m-%d")

    def minute(self, at_us: int) -> str:
        return local(at_us, self.zone).strftime("%H:%M")

    def second(self, at_us: int) -> str:
        return local(at_us, self.zone).strftime("%H:%M:%S")

    def exact(self, at_us: int) -> str:
        """To the millisecond: a release and a reading may lie close together."""
        at = local(at_us, self.zone)
        return f"{at:%Y-%m-%d %H:%M:%S}.{at.microsecond // 1_000:03d} {at:%Z}"

    def full(self, at_us: int) -> str:
        """With its offset, so that the repeated hour is unambiguous."""
        return local(at_us, self.zone).strftime("%Y-%m-%d %H:%M:%S %Z")

    @property
    def writing(self) -> Writing:
        """For sentences that commands tell too."""
        return Writing(self.exact, self.full, figure)

    def machine(self, at_us: int) -> str:
        """For the datetime attribute of a time element."""
        return local(at_us, self.zone).isoformat(timespec="seconds")


class ShownPage(HTMLResponse):
    """``rest`` is what stands behind the page's heading."""

    def __init__(self, frame: str, rest: str, status: int) -> None:
        super().__init__(frame + rest, status, dict(HEADERS))
        self.rest = rest


def page(template: str, asker: Asker, zone: ZoneInfo, here: str, *, status: int = 200, **values: Any) -> ShownPage:
    """``here`` is the path of the navigation's entry that it belongs to."""
    frame, rest = cut_page(template, asker, zone, here, **values)
    return ShownPage(frame, rest, status)


def cut_page(template: str, asker: Asker, zone: ZoneInfo, here: str, **values: Any) -> tuple[str, str]:
    """Its frame with the heading, and what stands behind."""
    text = _environment().get_template(template).render(asker=asker, clock=Clock(zone), here=here, **values)
    frame, _, rest = text.partition(CUT)
    return frame, rest


@cache
def static_files() -> Mapping[str, bytes]:
    folder = resources.files("pagereeve.console.pages") / "static"
    return {one.name: one.read_bytes() for one in folder.iterdir() if one.name.endswith((".css", ".js", ".svg"))}


@cache
def static_address(name: str) -> str:
    """With the file's own digest: a browser keeps it for good, and asks for another one after an upgrade."""
    return f"{STATIC}/{name}?v={hashlib.sha256(static_files()[name]).hexdigest()[:16]}"
