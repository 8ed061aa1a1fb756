"""Something that holds from one instant to another, kept in few words until it is over: then it is a closed finding."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, get_args

from pagereeve.domain.findings.finding import Kind, make
from pagereeve.domain.ledger import Finding
from pagereeve.domain.values.fields import Fields
from pagereeve.domain.values.instants import from_text, to_text

EVIDENCE_MAX = 20


@dataclass(frozen=True, slots=True)
class Condition:
    """``place`` names what it is about: a reader, a feed. ``anchor`` is what its id hangs on."""

    kind: Kind
    place: str
    since_us: int
    anchor: str
    text: str
    evidence: tuple[str, ...] = ()

    def finding(self, until_us: int | None = None) -> Finding:
        found = make(self.kind, "", (self.place, self.anchor), self.since_us, self.text, self.evidence, until_us)
        return replace(found, place=self.place)

    def to_json(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "place": self.place,
            "since": to_text(self.since_us),
            "anchor": self.anchor,
            "text": self.text,
            "evidence": list(self.evidence),
        }

    @classmethod
    def from_json(cls, fields: Fields) -> Condition:
        """Raises BadFact."""
        condition = cls(
            kind=fields.choice("kind", get_args(Kind)),
            place=fields.text("place"),
            since_us=from_text(fields.text("since"), "since"),
            anchor=fields.text("anchor"),
            text=fields.text("text"),
            evidence=fields.texts("evidence", EVIDENCE_MAX),
        )
        fields.finish()
        return condition
