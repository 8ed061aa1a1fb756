"""Facts of another journal in this one: a relative source, and names of printers and gateways, belong to their site.

The site's name qualifies them, so that two sites' ``library`` are two. What is everybody's stays as it is: an absolute
source, a person's login.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import replace
from typing import Any, Final, TypeVar

from pagereeve.domain.facts.claims import HEARD
from pagereeve.domain.facts.facts import (
    BadgePresented,
    BadgeUnreadable,
    Conflict,
    Decided,
    Fact,
    GatewayChecked,
    PagesDecided,
    Registered,
    ReleaseAnswered,
    ReleaseStarted,
    SettleLearned,
    SiteChecked,
)
from pagereeve.domain.facts.jobs import JobCounted

DIVIDER: Final = "/"
"""Between a site's name, which has none, and a name of the site. A printer of the settings has none either."""
AFTER_DIVIDER: Final = chr(ord(DIVIDER) + 1)
"""Names of a site come before what begins with it and this, as names sort by their bytes."""
SITE_NAME_MAX: Final = 64
SITE_SOURCE: Final = "urn:pagereeve:site:"
_OURS: Final = "urn:pagereeve:"
"""What a journal says of itself, or makes of lines of its own feeds: each journal's own, whatever it is called."""
_ABSOLUTE: Final = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:")
"""A scheme (RFC 3986 section 3.1)."""
_SITE: Final = re.compile(rf"[A-Za-z0-9_-][A-Za-z0-9._-]{{0,{SITE_NAME_MAX - 1}}}", re.ASCII)

AnyFact = TypeVar("AnyFact", bound=Fact)


def is_site_name(text: str) -> bool:
    return _SITE.fullmatch(text) is not None


def name_at(site: str, name: str) -> str:
    """A printer, a gateway, or "" for the site's own timeline, as it is called here."""
    return f"{site}{DIVIDER}{name}"


def site_of(name: str) -> str:
    """Of a name that is another site's: whose it is."""
    return name.partition(DIVIDER)[0]


def is_of_any(name: str, sites: Collection[str]) -> bool:
    """A name that is of one of these sites."""
    return DIVIDER in name and site_of(name) in sites


def is_of_no_printer(timeline: str) -> bool:
    """This journal's own timeline, or another site's."""
    return not timeline or timeline.endswith(DIVIDER)


def is_everybodys(source: str) -> bool:
    """An absolute source is the same wherever it is heard."""
    return _ABSOLUTE.match(source) is not None and not source.startswith(_OURS)


def source_at(site: str, source: str) -> str:
    """Two sources of one site stay two."""
    return source if is_everybodys(source) else f"{SITE_SOURCE}{site}:{source}"


def as_said(fact: AnyFact, sites: Collection[str]) -> AnyFact:
    """An event under the names that it had where it was heard, if that is one of the sites."""
    site, divider, name = fact.printer.partition(DIVIDER)
    if not divider or site not in sites:
        return fact
    named: dict[str, Any] = {"printer": name}
    gateway = getattr(fact, "gateway", "")
    if gateway.startswith(name_at(site, "")):
        named["gateway"] = gateway.removeprefix(name_at(site, ""))
    return replace(fact, **named)


def of_site(fact: AnyFact, site: str) -> AnyFact:
    """The fact of the site's journal as it is called here. Its claim and its digests are those of the site's own."""
    named: dict[str, Any] = {"printer": name_at(site, fact.printer)}
    if isinstance(fact, (*HEARD, Conflict)):
        named["origin"] = replace(fact.origin, source=source_at(site, fact.origin.source))
    if isinstance(fact, BadgePresented | BadgeUnreadable | ReleaseStarted | GatewayChecked | Registered):
        named["gateway"] = fact.gateway and name_at(site, fact.gateway)
    match fact:
        case Registered():
            named["name"] = name_at(site, fact.name)
        case SiteChecked():
            named["site"] = name_at(site, fact.site)
        case Decided():
            named["at"] = fact.at and name_at(site, fact.at)
        case PagesDecided():
            of_release = fact.said.release_source and source_at(site, fact.said.release_source)
            named["said"] = replace(fact.said, release_source=of_release)
        case ReleaseAnswered():
            named["source"] = source_at(site, fact.source)
        case JobCounted() if fact.named_by is not None:
            named["named_by"] = replace(fact.named_by, source=source_at(site, fact.named_by.source))
        case SettleLearned():
            named["units"] = tuple(
                replace(unit, releases=tuple(replace(one, source=source_at(site, one.source)) for one in unit.releases))
                for unit in fact.units
            )
    return replace(fact, **named)
