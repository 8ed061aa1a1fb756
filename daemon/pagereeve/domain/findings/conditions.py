"""Something that holds from one instant to another, kept as a few values until it is over: a closed finding then."""

from __future__ import annotations

from dataclasses import replace
from typing import Final, get_args

from pagereeve.domain.findings.evidence_codec import EVIDENCE
from pagereeve.domain.findings.finding import EVIDENCE_MAX, Kind, make
from pagereeve.domain.ledger import Evidence, Finding
from pagereeve.domain.values.codec import INSTANT, TEXT, Codec, Member, choice, inner, listed
from pagereeve.domain.values.codec import Kind as Kind_
from pagereeve.domain.values.fields import Fields
from pagereeve.domain.values.records import dataclass


@dataclass(frozen=True, slots=True)
class Condition:
    """``place`` names what it is about: a reader, a feed. ``anchor`` is what its id hangs on."""

    kind: Kind
    place: str
    since_us: int
    anchor: str
    what: Evidence
    evidence: tuple[Evidence, ...] = ()

    def finding(self, until_us: int | None = None) -> Finding:
        found = make(self.kind, "", (self.place, self.anchor), self.since_us, self.what, self.evidence, until_us)
        return replace(found, place=self.place)


def _anchor(fields: Fields, name: str) -> str:
    return _BETWEEN.join(fields.texts(name, ANCHOR_PARTS_MAX)) if fields.is_list(name) else fields.text(name)


def _anchor_json(anchor: str) -> str | list[str]:
    """An event's identity has two parts, and what lies between them is no plain text."""
    return anchor.split(_BETWEEN) if _BETWEEN in anchor else anchor


_BETWEEN: Final = "\n"
ANCHOR_PARTS_MAX: Final = 3
_ANCHOR: Final[Kind_[str]] = Kind_(_anchor, _anchor, _anchor_json)
CONDITION: Final = Codec(
    Condition,
    Member("kind", choice(get_args(Kind))),
    Member("place", TEXT),
    Member("since_us", INSTANT, "since"),
    Member("anchor", _ANCHOR),
    Member("what", inner(EVIDENCE)),
    Member("evidence", listed(inner(EVIDENCE), EVIDENCE_MAX), default=(), written=True),
)
