"""What a stored fact becomes when a person is erased from it: other values, commitments in the place of salts."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Self

from pagereeve.domain.facts.events import BADGE_PRESENTED, PAGES_DECIDED, RELEASE_STARTED
from pagereeve.domain.facts.facts import Bound, Fact, ReleaseStarted
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.facts.people_codec import PEOPLE_CODECS
from pagereeve.domain.facts.personal import kind_of, personal_names
from pagereeve.domain.seal.commitments import Openings, member, present, with_member
from pagereeve.domain.seal.erasure import ErasedMembers
from pagereeve.ports.erasing import Erasure
from pagereeve.store.records.encoding import canonical_text

_OWNERS: Final = {
    RELEASE_STARTED: "data.owner",
    "assigned": "owner",
    "bound": "owner",
    PAGES_DECIDED: "data.to_name",
}
OWNED_KINDS: Final = tuple(_OWNERS)
_BADGES: Final = {RELEASE_STARTED: "data.badge", "bound": "badge", BADGE_PRESENTED: "data.badge"}
_OWNED: Final = (Bound, ReleaseStarted)
_DIGEST: Final = "digest"
_WITH_OWNER: Final = {RELEASE_STARTED: ("data.queue", "data.ticket.title"), PAGES_DECIDED: ("data.text",)}
_WITH_BADGE: Final = {BADGE_PRESENTED: ("id",)}


@dataclass(frozen=True, slots=True)
class ErasedRow:
    """The row's new columns; ``names`` are those of the members that were erased."""

    body: str
    openings: str
    event_id: str | None
    names: Sequence[str]


def owner_in(body: str) -> str | None:
    """The owner that a stored body names; None where it names none, or can't be read."""
    try:
        members = json.loads(body)
        name = _owner_of(kind_of(members), members)
    except (ValueError, AttributeError):
        return None
    return name if isinstance(name, str) else None


def _owner_of(kind: str, members: dict[str, Any]) -> Any:
    """None where a decision gives pages to a cost centre or a house account, whatever that is called."""
    if kind == PAGES_DECIDED and member(members, "data.to") != "person":
        return None
    return member(members, _OWNERS.get(kind, ""))


def own_badges(facts: Iterable[Fact], keys: Collection[str]) -> tuple[Sequence[str], int]:
    """The badges of these owners, and how many were others' too at some time. ``facts`` are all that name either."""
    known = list(facts)
    owned = (one for one in known if isinstance(one, _OWNED) and owner_key(one.owner) in keys)
    badges = dict.fromkeys(one.badge for one in owned if one.badge)
    others = {one.badge for one in known if isinstance(one, Bound) and owner_key(one.owner) not in keys}
    own = [badge for badge in badges if badge not in others]
    return own, len(badges) - len(own)


@dataclass(slots=True)
class Eraser:
    """``keys`` are of the person's logins, ``persons`` the ids under which lists name the person.

    ``badges`` are the person's own; each gets a name of its own, and so does each text.
    """

    keys: frozenset[str]
    name: str
    persons: frozenset[str] = frozenset()
    badges: dict[str, str] = field(default_factory=dict)
    facts: list[ErasedMembers] = field(default_factory=list)
    _count: int = 0

    @classmethod
    def of(cls, erasure: Erasure) -> Self:
        return cls(erasure.keys, erasure.name, frozenset(erasure.persons))

    def learn_badge(self, badge: str) -> None:
        self.badges.setdefault(badge, f"{self.name}-badge-{len(self.badges) + 1}")

    def erased(self, printer: str, seq: int, body: str, openings: str) -> ErasedRow | None:
        """None where nothing of it is the person's. Raises ValueError where the row is not what was sealed."""
        members, kind, names = _read(body)
        known, erased = Openings.parsed(openings), list[str]()
        if len(known) != len(names):
            raise ValueError("it has not the openings that were sealed with it")
        values = {name: self._value(kind, members, name) for name in names}
        for place, name in enumerate(names):
            value = values[name]
            if value is not None and not known.is_erased(place):
                known = known.erased(place, name, member(members, name))
                members = with_member(members, name, value)
                erased.append(name)
        if not erased:
            return None
        self.facts.append((printer, seq, erased))
        return ErasedRow(canonical_text(members), str(known), members.get("id"), erased)

    def claim(self, body: str) -> ErasedRow | None:
        """What was kept aside of an event of the person's, or names the person: its texts are the person's too."""
        members, kind, names = _read(body)
        texts = _WITH_OWNER.get(kind, ())
        values = {name: self._value(kind, members, name) or (self.text() if name in texts else None) for name in names}
        erased = [name for name in names if values[name] is not None]
        for name in erased:
            members = with_member(members, name, values[name])
        return ErasedRow(canonical_text(members), "", members.get("id"), erased) if erased else None

    def reported(self, printer: str, seq: int, body: str, openings: str, digest: str) -> ErasedRow | None:
        """A Conflict whose claim names the person: ``digest`` stands in the place of that of the claim."""
        members, _, names = _read(body)
        of_badge = members.get("type") == BADGE_PRESENTED
        known, erased = Openings.parsed(openings), list[str]()
        for place, name in enumerate(names):
            if not known.is_erased(place) and (name == _DIGEST or of_badge):
                known = known.erased(place, name, member(members, name))
                members = with_member(members, name, digest)
                erased.append(name)
        if not erased:
            return None
        self.facts.append((printer, seq, erased))
        return ErasedRow(canonical_text(members), str(known), None, erased)

    def text(self) -> str:
        self._count += 1
        return f"{self.name}-{self._count}"

    def _value(self, kind: str, members: dict[str, Any], name: str) -> str | None:
        """What stands in a member's place; None where it stays."""
        if kind in PEOPLE_CODECS:
            return self._said_value(members, name)
        owner, badge = _owner_of(kind, members), member(members, _BADGES.get(kind, ""))
        is_owner = isinstance(owner, str) and owner_key(owner) in self.keys
        if name == _OWNERS.get(kind):
            return self.name if is_owner else None
        if name == _BADGES.get(kind):
            return self.badges.get(badge)
        if is_owner and name in _WITH_OWNER.get(kind, ()):
            return self.text()
        return self.text() if badge in self.badges and name in _WITH_BADGE.get(kind, ()) else None

    def _said_value(self, members: dict[str, Any], name: str) -> str | None:
        """What a list says of the person, and why somebody merged the person; a cost centre names nobody, and stays."""
        if self.persons.isdisjoint((members.get("person"), members.get("into"))):
            return None
        if name == "text":
            word = members.get("word")
            return self.name if word == "login" else None if word == "cost_centre" else self.text()
        return self.text() if name == "reason" else None


def _read(body: str) -> tuple[dict[str, Any], str, Sequence[str]]:
    """A fact's members, its kind, and which of them are personal."""
    members = json.loads(body)
    kind = kind_of(members)
    return members, kind, present(members, personal_names(kind))
