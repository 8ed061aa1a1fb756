"""Which members of a fact are personal: they can be erased, and the seal still holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from pagereeve.domain.facts.events import (
    BADGE_PRESENTED,
    FINDING_DECIDED,
    PAGES_DECIDED,
    PRINTER_NOTED,
    READING_NOTED,
    RELEASE_STARTED,
)

PERSONAL: Final[Mapping[str, Sequence[str]]] = {
    # The id of a line holds the beginning of its badge's hash.
    BADGE_PRESENTED: ("data.badge", "id"),
    RELEASE_STARTED: ("data.owner", "data.badge", "data.job", "data.queue", "data.was", "data.ticket.title"),
    PRINTER_NOTED: ("data.text", "data.by"),
    FINDING_DECIDED: ("data.by", "data.text"),
    READING_NOTED: ("data.by", "data.text"),
    PAGES_DECIDED: ("data.by", "data.text", "data.to_name"),
    "assigned": ("owner",),
    "bound": ("badge", "owner"),
    "redated": ("by", "reason"),
    "erased": ("by",),
    "period-closed": ("by", "reason"),
    "names-shown": ("by",),
    "facts-archived": ("by",),
    # A digest of what a sender claimed, without salt: whoever guesses the rest can try names.
    "conflict": ("digest", "id"),
    "person-named": ("text", "by"),
    "people-merged": ("by", "reason"),
    "merge-undone": ("by", "reason"),
}
"""By kind, the names of members; of those inside others, joined by full stops. The order is that of their openings.

What was sealed stays sealed as it was: a name is only ever added, and at the end of its line.
"""


def kind_of(members: Mapping[str, Any]) -> str:
    """The kind under which a fact of these members is stored."""
    return str(members.get("type") if members.get("fact") == "event" else members.get("fact"))


def personal_names(kind: str) -> Sequence[str]:
    return PERSONAL.get(kind, ())
