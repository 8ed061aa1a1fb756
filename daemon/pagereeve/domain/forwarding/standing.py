"""Is all that a site sealed here? What is told of it: that it is, once a day; and that for long it is not, once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pagereeve.domain.facts.facts import JOURNAL_SOURCE, Origin, SiteChecked, SiteStanding
from pagereeve.domain.values.instants import SECOND_US

LATE_US: Final = 3_600 * SECOND_US
"""A site tells each minute how much it sealed, while it reaches the centre (common practice, no source)."""
UNHEARD_US: Final = 25 * LATE_US
"""One that was not heard since the start may tell another worker of the same journal, who says so once a day."""


@dataclass(frozen=True, slots=True)
class SiteSeen:
    """What this process knows of a site, since it began at ``begun_us``. ``heard_us``: when it last heard of it,
    ``first_us``: first; ``whole_us``: when all that it had sealed was last here; each None where that never was.
    ``why`` its last batch was refused, "" where it was not. ``place``: so many of its facts are here.
    """

    begun_us: int
    heard_us: int | None = None
    first_us: int | None = None
    whole_us: int | None = None
    why: str = ""
    place: int = 0


def known_of(told: SiteChecked | None) -> int:
    """All that the site had sealed by then is here; 0 where that was never so."""
    return 0 if told is None else told.known_us


def standing_of(seen: SiteSeen, told: SiteChecked | None, now_us: int, day_us: int) -> SiteStanding | None:
    """What is to be told now; None where that is told already, or is not known. ``day_us``: when the day began.

    One trouble is told once, whatever becomes of it before all is here.
    """
    if seen.whole_us is not None and now_us - seen.whole_us < LATE_US:
        daily = known_of(told) < day_us <= seen.whole_us
        return "whole" if told is None or told.state != "whole" or daily else None
    if told is not None and told.state != "whole":
        return None
    if seen.heard_us is None or seen.first_us is None:
        return "silent" if now_us - max(seen.begun_us, known_of(told)) >= UNHEARD_US else None
    if now_us - (seen.whole_us or seen.first_us) < LATE_US:
        return None
    if now_us - seen.heard_us >= LATE_US:
        return "silent"
    return "refused" if seen.why else "behind"


def checked(site: str, state: SiteStanding, seen: SiteSeen, told: SiteChecked | None, now_us: int) -> SiteChecked:
    """The fact that tells it."""
    origin = Origin(JOURNAL_SOURCE, f"site-{state}-{now_us:017d}-{site}", now_us, now_us)
    known_us = max(seen.whole_us or 0, known_of(told))
    return SiteChecked(origin, site, state, known_us, seen.place, seen.why if state == "refused" else "")
