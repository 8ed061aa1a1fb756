"""Sites that forward, of which not all is here that belongs to a period."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from pagereeve.domain.facts.facts import SiteChecked, SiteStanding

SHOWN_MAX: Final = 100


@dataclass(frozen=True, slots=True)
class SiteBehind:
    """All that the site had sealed by ``known_us`` is here (0: that was never so). ``since_us``: when it was told that
    not all is, as ``state`` says and ``why``; None: nobody told so, and nobody knows.
    """

    site: str
    known_us: int
    since_us: int | None = None
    state: SiteStanding | None = None
    why: str = ""


def behind_at(to_us: int, sites: Iterable[str], told: Mapping[str, SiteChecked]) -> list[SiteBehind]:
    """Those of which not all is known up to there, for whoever freezes what is known."""
    known = [_of(site, told.get(site)) for site in sites]
    return [one for one in known if one.known_us < to_us]


def behind_now(to_us: int, sites: Iterable[str], told: Mapping[str, SiteChecked]) -> list[SiteBehind]:
    """Of those the ones that are known to be behind: of the others all that there is may well be here."""
    return [one for one in behind_at(to_us, sites, told) if one.since_us is not None]


def _of(site: str, told: SiteChecked | None) -> SiteBehind:
    if told is None:
        return SiteBehind(site, 0)
    if told.state == "whole":
        return SiteBehind(site, told.known_us)
    return SiteBehind(site, told.known_us, told.origin.at_us, told.state, told.why)
