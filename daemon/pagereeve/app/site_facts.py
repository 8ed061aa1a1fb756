"""From settings to facts of the site: only what no fact has said yet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from pagereeve.domain.facts.facts import BadgePolicySet, Bound, Fact, Registered
from pagereeve.domain.facts.site_in_force import SiteRules
from pagereeve.engine.intake.badge_hashing import BadgeHasher
from pagereeve.settings import Settings
from pagereeve.settings.lists.directory import Binding


def site_facts(settings: Settings, known: SiteRules, now_us: int) -> Iterator[Fact]:
    """What the settings say of the site and no fact has said yet: the rules for badges, and each printer's gateway."""
    policy = settings.badges.badge_policy()
    if known.policy_at(now_us) != policy or not known.policies:
        yield BadgePolicySet(now_us, policy)
    for printer in settings.printers:
        gateway = printer.gateway or ""
        if printer.name not in known.places or known.gateway_of(printer.name, now_us) != gateway:
            yield Registered(now_us, printer.name, gateway)


def binding_facts(directory: Sequence[Binding], badges: BadgeHasher, known: SiteRules, now_us: int) -> Iterator[Bound]:
    """Lines that are new or other than they were; a line that is gone ends its binding now.

    The directory's badges are known to ``badges`` then.
    """
    listed: set[tuple[str, str, int]] = set()
    said = {(one.badge, one.owner, one.at_us): one for one in known.standing_at(now_us)}
    for binding in directory:
        badge = badges.learn(binding.canonical)
        key = (badge, binding.owner, binding.from_us)
        listed.add(key)
        before = said.get(key)
        over = binding.until_us is not None and binding.until_us <= now_us
        if (before is None and not over) or (before is not None and before.until_us != binding.until_us):
            yield Bound(binding.from_us, badge, binding.owner, now_us, binding.until_us)
    for key, one in said.items():
        if key not in listed:
            yield replace(one, known_us=now_us, until_us=max(now_us, one.at_us + 1))
