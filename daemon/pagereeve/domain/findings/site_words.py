"""What is wrong with a site of which not all is here, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

STANDINGS: Final[Mapping[str, str]] = {
    "whole": "is heard",
    "behind": "is heard, and more is still to come",
    "silent": "is not heard",
    "refused": "is heard, and its facts are refused",
}
"""By domain.facts.facts.SiteStanding."""


def site_behind(site: str, state: str, why: str, known: str) -> str:
    """``why`` its facts are refused, and the instant up to which all is here; "" or "?" where there is none."""
    missing = f"what it counted since {known}" if known.strip("?") else "nobody knows how much of it"
    return f"site {site} {because(state, why)}; {missing} is not here"


def because(state: str, why: str) -> str:
    """What it does, as it is behind."""
    return f"{STANDINGS.get(state, state)}{f' ({why})' if why.strip('?') else ''}"
