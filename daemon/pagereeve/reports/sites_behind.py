"""Sites that are behind, as sentences and JSON."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from pagereeve.domain.accounts.sites_behind import SHOWN_MAX, SiteBehind
from pagereeve.domain.findings.site_words import because
from pagereeve.domain.values.amounts import form
from pagereeve.domain.values.instants import to_text
from pagereeve.domain.values.visible import visible

At = Callable[[int], str]


def site_json(one: SiteBehind) -> dict[str, Any]:
    return {
        "site": one.site,
        "known": to_text(one.known_us) if one.known_us else None,
        "since": None if one.since_us is None else to_text(one.since_us),
        "state": one.state,
        "why": one.why or None,
    }


def site_text(one: SiteBehind, at: At = to_text) -> str:
    known = f"known up to {at(one.known_us)}" if one.known_us else "never known whole"
    since = "" if one.since_us is None else f", {because(one.state or '', one.why)} since {at(one.since_us)}"
    return f"{visible(one.site)} ({known}{since})"


def sites_text(sites: Sequence[SiteBehind], at: At = to_text) -> str:
    shown = [site_text(one, at) for one in sites[:SHOWN_MAX]]
    return ", ".join([*shown, *(["..."] if len(sites) > SHOWN_MAX else [])])


def behind_line(sites: Sequence[SiteBehind], at: At = to_text) -> str:
    """Beside figures, of which these sites' own may be missing."""
    are = form(len(sites), "Site", "Sites")
    return f"{are} behind: {sites_text(sites, at)}. What was counted there since then is not in these figures."
