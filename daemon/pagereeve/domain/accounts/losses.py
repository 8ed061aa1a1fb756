"""Pages for which nobody pays, and what they came of: as people said, as was noted, or as the evidence shows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS, START_UP
from pagereeve.domain.brackets.hypotheses import HINT_PREFIX
from pagereeve.domain.charging.postings import PROVABLE_MINIMUM, UNIT_BELOW_NEED
from pagereeve.domain.facts.in_force import TEST_PAGES
from pagereeve.domain.ledger import (
    MAINTENANCE,
    OTHER_FUNCTION,
    UNATTRIBUTED,
    Charge,
    EvidenceKind,
    Finding,
    Grade,
    Stretch,
)

CauseFrom = Literal["said", "noted", "diagnosis", "hint", "evidence", "unknown"]
"""Who knows it: a person said it of the finding; a person noted it at the printer; the printer's differences follow the
pattern; this one difference fits the pattern, and no more than that; the readings and notices show it; nobody.
"""

Closing = tuple[str, str, int]
"""Printer, channel, and where the stretch closes: what a finding and the ledger's rows have in common."""

UNPROVEN: Final = "unproven"
"""Beside the house accounts: claims that no count supports. They are in no account."""

COPIES: Final = "copies-counted-apart"
MAINTAINED: Final = "maintenance"
RAN_TOGETHER: Final = "ran-together"
RUN_ENDED: Final = "run-ended"
NO_READING: Final = "no-reading"
UNIT_UNSURE: Final = "unit-unsure"
NOT_REGISTERED: Final = "not-registered"
STALLED: Final = "stalled"
NOT_EXPLAINED: Final = "not-explained"
NOT_FROZEN: Final = "not-frozen"
EVIDENT: Final = (
    COPIES,
    MAINTAINED,
    TEST_PAGES,
    START_UP,
    RAN_TOGETHER,
    RUN_ENDED,
    NO_READING,
    UNIT_UNSURE,
    NOT_REGISTERED,
    STALLED,
    NOT_EXPLAINED,
    NOT_FROZEN,
)
"""What ``Cause.name`` may be besides a person's reason (facts.Reason) and a hypothesis (brackets.hypotheses)."""

_OF_CHARGES: Final[Mapping[str, str]] = {
    "unknown-printer": NOT_REGISTERED,
    "run-ended": RUN_ENDED,
    "no-reading-before": NO_READING,
    "no-reading-after": NO_READING,
    "window-longest-wait": NO_READING,
    UNIT_BELOW_NEED: UNIT_UNSURE,
    PROVABLE_MINIMUM: RAN_TOGETHER,
}
_OF_GRADES: Final[Mapping[Grade, str]] = {Grade.BROKEN: RUN_ENDED, Grade.BLIND: NO_READING}


@dataclass(frozen=True, slots=True, order=True)
class Cause:
    known_from: CauseFrom
    name: str


_UNKNOWN: Final = Cause("unknown", NOT_EXPLAINED)
CAUSE_NOT_FROZEN: Final = Cause("unknown", NOT_FROZEN)
"""Of a period that was closed before a close froze causes: those of today are not asked."""


@dataclass(frozen=True, slots=True, order=True)
class LossKey:
    """``account`` is a house account, or UNPROVEN."""

    printer: str
    channel: str
    unit: str
    account: str
    cause: Cause

    @property
    def billed(self) -> bool:
        return self.channel in CLAIMED_CHANNELS


@dataclass(frozen=True, slots=True)
class Known:
    """What people said of findings, by the closing of what they are about; and each printer's diagnoses."""

    said: Mapping[Closing, str]
    diagnosed: Mapping[str, frozenset[str]]


def closing_of(finding: Finding) -> Closing | None:
    """None of a finding that is about no stretch."""
    cuts = next((one for one in finding.evidence if one.kind is EvidenceKind.CUTS), None)
    if cuts is None:
        return None
    channel, closes_us = cuts.value("channel"), cuts.value("closes_us")
    return (finding.printer, channel, closes_us) if isinstance(channel, str) and isinstance(closes_us, int) else None


def hypothesis_of(finding: Finding) -> str:
    """The pattern that a diagnosis names; "" of any other finding."""
    name = finding.what.value("hypothesis") if finding.what.kind is EvidenceKind.PATTERN else None
    return name if isinstance(name, str) else ""


def house_cause(account: str, stretch: Stretch | None, known: Known) -> Cause:
    """What pages of a house account came of. The first that is known counts."""
    if stretch is None:
        return _UNKNOWN
    closing = (stretch.printer, stretch.channel, stretch.closes_us)
    found = _of_account(account, stretch) or _said(closing, known) or _pattern(stretch, known)
    return found or _shown(account, stretch)


def _of_account(account: str, stretch: Stretch) -> Cause | None:
    if account == OTHER_FUNCTION:
        return Cause("evidence", COPIES)
    if account == MAINTENANCE:
        return Cause("noted", TEST_PAGES if TEST_PAGES in stretch.reasons else MAINTAINED)
    return None


def _said(closing: Closing, known: Known) -> Cause | None:
    reason = known.said.get(closing)
    return Cause("said", reason) if reason else None


def _shown(account: str, stretch: Stretch) -> Cause:
    """By reasons, then by the grade."""
    if START_UP in stretch.reasons:
        return Cause("evidence", START_UP)
    if stretch.grade is not None and stretch.grade in _OF_GRADES:
        return Cause("evidence", _OF_GRADES[stretch.grade])
    if account == UNATTRIBUTED:
        return Cause("evidence", UNIT_UNSURE if len(stretch.releases) == 1 else RAN_TOGETHER)
    return Cause("evidence", STALLED) if STALLED in stretch.reasons else _UNKNOWN


def _pattern(stretch: Stretch, known: Known) -> Cause | None:
    hints = [one.removeprefix(HINT_PREFIX) for one in stretch.reasons if one.startswith(HINT_PREFIX)]
    diagnosed = known.diagnosed.get(stretch.printer, frozenset())
    for name in hints:
        if name in diagnosed:
            return Cause("diagnosis", name)
    return Cause("hint", hints[0]) if hints else None


def unproven_cause(charge: Charge, known: Known) -> Cause:
    """Why no count supports what is unproven of a charge."""
    said = None if charge.closed_us is None else _said((charge.printer, charge.channel, charge.closed_us), known)
    if said is not None:
        return said
    for reason in charge.reasons:
        if reason in _OF_CHARGES:
            return Cause("evidence", _OF_CHARGES[reason])
    graded = None if charge.grade is None else _OF_GRADES.get(charge.grade)
    return _UNKNOWN if graded is None else Cause("evidence", graded)
