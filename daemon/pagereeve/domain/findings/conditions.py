"""Something that holds from one instant to another, kept as a few values until it is over: a closed finding then."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, get_args

from pagereeve.domain.findings.evidence_codec import evidence_json, evidence_of
from pagereeve.domain.findings.finding import EVIDENCE_MAX, Kind, make
from pagereeve.domain.ledger import Evidence, Finding
from pagereeve.domain.values.fields import Fields
from pagereeve.domain.values.instants import from_text, to_text


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

    def to_json(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "place": self.place,
            "since": to_text(self.since_us),
            "anchor": self.anchor,
            "what": evidence_json(self.what),
            "evidence": [evidence_json(one) for one in self.evidence],
        }

    @classmethod
    def from_json(cls, fields: Fields) -> Condition:
        """Raises BadFact."""
        condition = cls(
            kind=fields.choice("kind", get_args(Kind)),
            place=fields.text("place"),
            since_us=from_text(fields.text("since"), "since"),
            anchor=fields.text("anchor"),
            what=evidence_of(fields.members("what"), "what"),
            evidence=tuple(map(evidence_of, fields.objects("evidence", EVIDENCE_MAX))),
        )
        fields.finish()
        return condition
