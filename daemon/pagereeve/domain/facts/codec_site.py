"""Facts that concern the whole site, or a printer's place in it, as JSON, both ways."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, assert_never

from pagereeve.domain.facts.codec_origin import origin_json, origin_of
from pagereeve.domain.facts.codec_policy import badge_policy_of, rules_json
from pagereeve.domain.facts.facts import Assigned, BadgePolicySet, BadgeUnreadable, Bound, Registered
from pagereeve.domain.values.fields import Fields
from pagereeve.domain.values.instants import to_text

SiteFact = Assigned | Registered | Bound | BadgePolicySet | BadgeUnreadable


def site_json(fact: SiteFact) -> dict[str, Any]:
    match fact:
        case Assigned():
            return {
                "fact": "assigned",
                "at": to_text(fact.at_us),
                "owner": fact.owner,
                "cost_centre": fact.cost_centre,
            }
        case Registered():
            return {
                "fact": "registered",
                "at": to_text(fact.at_us),
                "name": fact.name,
                "gateway": fact.gateway,
            }
        case Bound():
            until = None if fact.until_us is None else to_text(fact.until_us)
            body = {"fact": "bound", "at": to_text(fact.at_us), "until": until, "known": to_text(fact.known_us)}
            return {**body, "badge": fact.badge, "owner": fact.owner}
        case BadgePolicySet():
            return {"fact": "entrance-policy", "at": to_text(fact.at_us), "policy": rules_json(fact.policy)}
        case BadgeUnreadable():
            body = {"fact": "badge-unreadable", **origin_json(fact.origin), "gateway": fact.gateway}
            return {**body, "reader": fact.reader, "reason": fact.reason}
    assert_never(fact)


def _assigned(fields: Fields) -> Assigned:
    return Assigned(fields.instant("at"), fields.text("owner"), fields.text("cost_centre"))


def _registered(fields: Fields) -> Registered:
    return Registered(fields.instant("at"), fields.text("name"), fields.optional_text("gateway") or "")


def _bound(fields: Fields) -> Bound:
    return Bound(
        at_us=fields.instant("at"),
        badge=fields.text("badge"),
        owner=fields.text("owner"),
        known_us=fields.instant("known"),
        until_us=fields.optional_instant("until"),
    )


def _badges(fields: Fields) -> BadgePolicySet:
    return BadgePolicySet(fields.instant("at"), badge_policy_of(fields.object("policy")))


def _unreadable(fields: Fields) -> BadgeUnreadable:
    return BadgeUnreadable(
        origin=origin_of(fields),
        gateway=fields.text("gateway"),
        reason=fields.text("reason"),
        reader=fields.optional_text("reader") or "",
    )


SITE_READERS: Final[dict[str, Callable[[Fields], SiteFact]]] = {
    "assigned": _assigned,
    "registered": _registered,
    "bound": _bound,
    "entrance-policy": _badges,
    "badge-unreadable": _unreadable,
}
