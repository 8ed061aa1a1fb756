"""What is in force for the whole site, and when: whose a badge is, a printer's gateway, the rules for badges."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, field

from pagereeve.domain.facts.facts import BadgePolicySet, Bound, Decided, Fact, Registered
from pagereeve.domain.facts.policy import BadgePolicy


@dataclass(slots=True)
class SiteRules:
    """A binding counts from its own date on, but never before the site knew of it: what was said of a badge stays."""

    bindings: dict[str, list[Bound]] = field(default_factory=dict)
    places: dict[str, list[Registered]] = field(default_factory=dict)
    policies: list[BadgePolicySet] = field(default_factory=list)
    decisions: list[Decided] = field(default_factory=list)
    directory_us: int | None = None

    @classmethod
    def of(cls, facts: Iterable[Fact]) -> SiteRules:
        rules = cls()
        for fact in facts:
            rules.add(fact)
        return rules

    def add(self, fact: Fact) -> bool:
        """Take a fact of the site; False where it is of another sort. A second copy changes nothing."""
        match fact:
            case Bound():
                known = self.bindings.setdefault(fact.badge, [])
                if fact not in known:
                    known.append(fact)
                    known.sort(key=lambda one: (one.known_us, one.at_us, one.owner))
                    earliest = fact.known_us if self.directory_us is None else self.directory_us
                    self.directory_us = min(earliest, fact.known_us)
            case Registered():
                places = self.places.setdefault(fact.name, [])
                if fact not in places:
                    places.append(fact)
                    places.sort(key=lambda one: (one.at_us, one.gateway))
            case BadgePolicySet():
                if fact not in self.policies:
                    self.policies.append(fact)
                    self.policies.sort(key=lambda one: (one.at_us, repr(one.policy)))
            case Decided() if not fact.printer:
                if fact not in self.decisions:
                    self.decisions.append(fact)
                    self.decisions.sort(key=lambda one: one.origin.order)
            case _:
                return False
        return True

    def owner_of(self, badge: str, at_us: int) -> str:
        """Whose the badge was, as far as was known then; empty where nobody's. What was said last counts."""
        said: dict[tuple[str, int], Bound] = {}
        for one in self.bindings.get(badge, ()):
            if max(one.at_us, one.known_us) <= at_us:
                said[one.owner, one.at_us] = one
        held = [one for one in said.values() if one.until_us is None or at_us < one.until_us]
        return max(held, key=lambda one: (one.at_us, one.known_us, one.owner)).owner if held else ""

    def standing_at(self, at_us: int) -> list[Bound]:
        """The bindings that hold at an instant or will, each as it was said last."""
        said: dict[tuple[str, str, int], Bound] = {}
        for bindings in self.bindings.values():
            said.update({(one.badge, one.owner, one.at_us): one for one in bindings})
        return [one for one in said.values() if one.until_us is None or at_us < one.until_us]

    def has_directory(self, at_us: int) -> bool:
        """Before a directory was known, no badge is an unknown one."""
        return self.directory_us is not None and self.directory_us <= at_us

    def gateway_of(self, printer: str, at_us: int) -> str:
        """The gateway of the printer; before the registry knew it, its first gateway."""
        places = self.places.get(printer, ())
        index = bisect_right(places, at_us, key=lambda one: one.at_us)
        return places[max(0, index - 1)].gateway if places else ""

    def policy_at(self, at_us: int) -> BadgePolicy:
        index = bisect_right(self.policies, at_us, key=lambda one: one.at_us)
        return self.policies[max(0, index - 1)].policy if self.policies else BadgePolicy()

    def reach_us(self) -> int:
        """How far back an event may matter to a later one, under any rules known."""
        known = [one.policy for one in self.policies] or [BadgePolicy()]
        return max(max(one.swipe_us, one.travel_us, one.nearby_us) for one in known)
