"""Findings as people read them, and findings that say what a test wants."""

from __future__ import annotations

from pagereeve.domain.findings import wording
from pagereeve.domain.ledger import Evidence, EvidenceKind, Finding
from pagereeve.domain.values.instants import to_text


def said(text: str) -> Evidence:
    """A statement in these words."""
    return Evidence(EvidenceKind.OLDER, (("text", text),))


def text_of(finding: Finding) -> str:
    """What it says, its instants in UTC."""
    return wording.text_of(finding, to_text)


def lines_of(finding: Finding) -> list[str]:
    """What shows it."""
    return [wording.words_of(one, to_text) for one in finding.evidence]
