"""The chain of evidence of a release, as ``explain --json`` prints it."""

from __future__ import annotations

from pydantic import Field

from pagereeve.console.api.models.rows import ChargeRow, DecisionRow, FindingRow, Leg, PostingRow, StretchRow
from pagereeve.console.api.models.told import Told


class Happened(Told):
    at: str
    what: str


class ChannelSentences(Told):
    channel: str
    sentences: list[str]


class KnownThen(Told):
    """What the ledger had of the release by then."""

    verdict: str
    charged: int
    unproven: int
    accounts: list[Leg]


class LateNotice(Told):
    """At ``at`` ``what`` became known, ``late_us`` after it happened, and changed what stood there."""

    at: str
    late_us: int
    what: str
    before: KnownThen
    after: KnownThen
    differences: list[Leg]


class EvidenceAnswer(Told):
    """Why a release is charged what it is: claim, readings, count, verdict, charge. Times in sentences are the site's
    local ones. ``names_left_out``: people were named in it, and are not here.
    """

    source: str
    release: str
    printer: str
    ticket: list[str]
    timeline: list[Happened]
    names_left_out: bool
    known: list[LateNotice]
    known_left_out: int
    known_gone_through: bool
    channels: list[ChannelSentences]
    charges: list[ChargeRow]
    stretches: list[StretchRow]
    shared_with: list[ChargeRow] = Field(description="Charges of releases in the same stretch.")
    shared_with_left_out: int
    decisions: list[DecisionRow]
    postings: list[PostingRow]
    findings: list[FindingRow]
