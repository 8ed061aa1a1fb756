"""Rules as JSON, both ways: names are those of the fields, durations microseconds."""

from __future__ import annotations

from dataclasses import fields as dataclass_fields
from typing import Any, Final, get_args

from pagereeve.domain.facts.policy import (
    LARGE_WEIGHT_MAX,
    BadgePolicy,
    BlankBacks,
    Charging,
    Copies,
    NumberUp,
    Policy,
    SidesMade,
)
from pagereeve.domain.values.fields import Fields

FIGURE_MAX: Final = 2**53 - 1


def rules_json(policy: Policy | BadgePolicy) -> dict[str, Any]:
    return {field.name: getattr(policy, field.name) for field in dataclass_fields(policy)}


_POLICY_CHOICES: Final[dict[str, tuple[str, ...]]] = {
    "charging": get_args(Charging),
    "blank_backs": get_args(BlankBacks),
    "copies": get_args(Copies),
    "number_up": get_args(NumberUp),
    "sides": get_args(SidesMade),
}
# None is *unknown* here.
_POLICY_OPEN: Final = {"separator_sheets": 2, "large_media_weight": LARGE_WEIGHT_MAX, "start_up_pages": FIGURE_MAX}


def policy_of(fields: Fields) -> Policy:
    """A policy whose unnamed rules keep their defaults. Raises BadFact."""
    changes: dict[str, Any] = {}
    for name in fields.names():
        if name in _POLICY_CHOICES:
            changes[name] = fields.choice(name, _POLICY_CHOICES[name])
        elif name in _POLICY_OPEN:
            changes[name] = fields.optional_integer(name, 0, _POLICY_OPEN[name])
        elif name in Policy.__dataclass_fields__:
            changes[name] = fields.integer(name, 0, FIGURE_MAX)
    fields.finish()
    return Policy(**changes)


def badge_policy_of(fields: Fields) -> BadgePolicy:
    """As policy_of. Raises BadFact."""
    known = [name for name in fields.names() if name in BadgePolicy.__dataclass_fields__]
    policy = BadgePolicy(**{name: fields.integer(name, 0, FIGURE_MAX) for name in known})
    fields.finish()
    return policy
