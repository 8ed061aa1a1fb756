"""The defaults of rules are those that the domain's README gives and argues."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pytest

from pagereeve.domain.facts.policy import BadgePolicy, Policy
from pagereeve.domain.values.instants import SECOND_US

README = Path(__file__).parents[4] / "daemon" / "pagereeve" / "domain" / "README.md"
UNITS_US = {"s": SECOND_US, "min": 60 * SECOND_US, "h": 3600 * SECOND_US}
ATTRIBUTES = {
    "settle": "settle_us",
    "settle_longest": "settle_longest_us",
    "first_page_floor": "floor_us",
    "unmoved_wait": "unmoved_us",
    "longest_window": "longest_us",
    "longest_stalled_window": "longest_stalled_us",
    "fresh": "fresh_us",
    "tolerance_share": "tolerance_permille",
    "fall_back_pages": "fall_back",
    "badge_within": "badge_within_us",
    "swipe_window": "swipe_us",
    "travel": "travel_us",
    "nearby": "nearby_us",
    "silent_for": "silent_us",
}
"""Where a setting has another name than its rule."""


def value_of(text: str) -> object:
    """``10 s``, ``2 min``, ``2^32``, ``0 (off)``, ``unknown`` or another word in backticks."""
    plain = text.split(" (", maxsplit=1)[0].strip("` ")
    if match := re.fullmatch(r"(\d+) (s|min|h)", plain):
        return int(match[1]) * UNITS_US[match[2]]
    if match := re.fullmatch(r"(\d+)\^(\d+)", plain):
        return int(match[1]) ** int(match[2])
    return int(plain) if plain.isdigit() else plain


def documented() -> dict[str, object]:
    """By the name of the rule. A row may hold several settings, with one default for all or one for each."""
    found: dict[str, object] = {}
    for line in README.read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.split("|")]
        if len(cells) < 5 or not cells[1].startswith("`"):
            continue
        names, values = re.findall(r"`(\w+)`", cells[1]), [value_of(one) for one in cells[2].split(", ")]
        values = values * len(names) if len(values) == 1 else values
        found |= dict(zip((ATTRIBUTES.get(name, name) for name in names), values, strict=False))
    return found


@pytest.mark.parametrize("policy", [Policy(), BadgePolicy()], ids=["printer", "badges"])
def test_every_rule_has_the_default_of_the_readme(policy: Policy | BadgePolicy) -> None:
    known = documented()
    for rule in fields(policy):
        default = getattr(policy, rule.name)
        assert known[rule.name] == ("unknown" if default is None else "none" if default == () else default), rule.name
