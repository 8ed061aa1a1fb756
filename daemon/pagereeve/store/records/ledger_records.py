"""Rows of the ledger, both ways: the columns bear the names of domain.ledger's fields."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any, Final

from sqlalchemy import Row

from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.findings.evidence_codec import evidence_json, evidence_of
from pagereeve.domain.ledger import Charge, Finding, Grade, Interval, Posting, ReleaseKey, Stretch, Verdict
from pagereeve.store.records.encoding import canonical_text

Columns = dict[str, Any]
AnyRow = Row[Any]

REASONS_KEPT: Final = 512


def stretch_columns(stretch: Stretch) -> Columns:
    return {
        "run": stretch.run,
        "channel": stretch.channel,
        "unit": stretch.unit.value,
        "opens_us": stretch.opens_us,
        "closes_us": stretch.closes_us,
        "before": stretch.before,
        "after": stretch.after,
        "counted": stretch.counted,
        "releases": canonical_text([[key.source, key.release] for key in stretch.releases]),
        "grade": stretch.grade,
        "verdict": stretch.verdict,
        "reasons": _reasons_text(stretch.reasons),
        **_interval_columns(stretch.expected),
    }


def stretch_of(row: AnyRow) -> Stretch:
    return Stretch(
        printer=row.printer,
        run=row.run,
        channel=row.channel,
        unit=Unit(row.unit),
        opens_us=row.opens_us,
        closes_us=row.closes_us,
        before=row.before,
        after=row.after,
        counted=row.counted,
        releases=tuple(ReleaseKey(source, release) for source, release in json.loads(row.releases)),
        grade=_grade(row.grade),
        verdict=_verdict(row.verdict),
        expected=_interval(row),
        reasons=_reasons_of(row.reasons),
    )


@lru_cache(maxsize=REASONS_KEPT)
def _reasons_text(reasons: tuple[str, ...]) -> str:
    return canonical_text(reasons)


@lru_cache(maxsize=REASONS_KEPT)
def _reasons_of(text: str) -> tuple[str, ...]:
    """Thousands of rows have the same few."""
    return tuple(json.loads(text))


def charge_columns(charge: Charge) -> Columns:
    return {
        "source": charge.release.source,
        "release": charge.release.release,
        "owner": charge.owner,
        "job": charge.job,
        "channel": charge.channel,
        "unit": charge.unit,
        "started_us": charge.started_us,
        "ended_us": charge.ended_us,
        "closed_us": charge.closed_us,
        "released": charge.released,
        "counted": charge.counted,
        "charged": charge.charged,
        "unproven": charge.unproven,
        "grade": charge.grade,
        "verdict": charge.verdict,
        "reasons": _reasons_text(charge.reasons),
        **_interval_columns(charge.expected),
    }


def charge_of(row: AnyRow) -> Charge:
    return Charge(
        printer=row.printer,
        release=ReleaseKey(row.source, row.release),
        owner=row.owner,
        job=row.job,
        channel=row.channel,
        unit=None if row.unit is None else Unit(row.unit),
        started_us=row.started_us,
        ended_us=row.ended_us,
        closed_us=row.closed_us,
        released=row.released,
        counted=row.counted,
        charged=row.charged,
        unproven=row.unproven,
        expected=_interval(row),
        grade=_grade(row.grade),
        verdict=_verdict(row.verdict),
        reasons=_reasons_of(row.reasons),
    )


def posting_columns(posting: Posting) -> Columns:
    return {
        "run": posting.run,
        "channel": posting.channel,
        "opens_us": posting.opens_us,
        "closes_us": posting.closes_us,
    }


def leg_columns(posting: Posting) -> list[Columns]:
    return [{"account": account, "pages": pages} for account, pages in posting.legs]


def posting_of(row: AnyRow, legs: Sequence[AnyRow]) -> Posting:
    """``legs`` in order of their places."""
    return Posting(
        printer=row.printer,
        run=row.run,
        channel=row.channel,
        opens_us=row.opens_us,
        closes_us=row.closes_us,
        legs=tuple((leg.account, leg.pages) for leg in legs),
    )


def finding_columns(finding: Finding) -> Columns:
    return {
        "id": finding.id,
        "kind": finding.kind,
        "severity": finding.severity,
        "since_us": finding.since_us,
        "until_us": finding.until_us,
        "state": finding.state,
        "what": canonical_text(evidence_json(finding.what)),
        "pages": finding.pages,
        "reason": finding.reason,
        "place": finding.place,
    }


def evidence_columns(finding: Finding) -> list[Columns]:
    return [{"body": canonical_text(evidence_json(one))} for one in finding.evidence]


def release_columns(finding: Finding) -> list[Columns]:
    return [{"source": key.source, "release": key.release} for key in finding.releases]


def finding_of(row: AnyRow, evidence: Sequence[AnyRow], releases: Sequence[AnyRow]) -> Finding:
    """``evidence`` in order of its places, ``releases`` by source and name. Raises BadFact for what is no evidence."""
    return Finding(
        id=row.id,
        kind=row.kind,
        severity=row.severity,
        printer=row.printer,
        since_us=row.since_us,
        until_us=row.until_us,
        state=row.state,
        what=evidence_of(json.loads(row.what), "what"),
        evidence=tuple(evidence_of(json.loads(one.body)) for one in evidence),
        releases=tuple(ReleaseKey(one.source, one.release) for one in releases),
        pages=row.pages,
        reason=row.reason,
        place=row.place,
    )


NO_INTERVAL: Final[Mapping[str, int | None]] = {"expected_least": None, "expected_most": None}


def _interval_columns(interval: Interval | None) -> Mapping[str, int | None]:
    if interval is None:
        return NO_INTERVAL
    return {"expected_least": interval.least, "expected_most": interval.most}


def _interval(row: AnyRow) -> Interval | None:
    return None if row.expected_least is None else Interval(row.expected_least, row.expected_most)


def _grade(text: str | None) -> Grade | None:
    return None if text is None else Grade(text)


def _verdict(text: str | None) -> Verdict | None:
    return None if text is None else Verdict(text)
