"""The ledger's rows as JSON: times as RFC 3339 text in UTC, what is unknown as null, never as 0."""

from __future__ import annotations

from typing import Any

from pagereeve.domain.brackets.conservation import Conserved
from pagereeve.domain.findings.waiting import Waiting
from pagereeve.domain.findings.wording import text_of, words_of
from pagereeve.domain.ledger import Charge, Evidence, Finding, Interval, Posting, ReleaseKey, Stretch, Value
from pagereeve.domain.values.instants import to_text


def instant_json(at_us: int | None) -> str | None:
    return None if at_us is None else to_text(at_us)


def interval_json(interval: Interval | None) -> dict[str, int | None] | None:
    """``most`` is null where nothing bounds it."""
    return None if interval is None else {"least": interval.least, "most": interval.most}


def key_json(key: ReleaseKey) -> dict[str, str]:
    return {"source": key.source, "release": key.release}


def stretch_json(stretch: Stretch) -> dict[str, Any]:
    return {
        "printer": stretch.printer,
        "run": stretch.run,
        "channel": stretch.channel,
        "unit": stretch.unit.value,
        "opens": to_text(stretch.opens_us),
        "closes": to_text(stretch.closes_us),
        "before": stretch.before,
        "after": stretch.after,
        "counted": stretch.counted,
        "releases": [key_json(key) for key in stretch.releases],
        "grade": None if stretch.grade is None else stretch.grade.value,
        "verdict": None if stretch.verdict is None else stretch.verdict.value,
        "expected": interval_json(stretch.expected),
        "reasons": list(stretch.reasons),
    }


def charge_json(charge: Charge) -> dict[str, Any]:
    return {
        "printer": charge.printer,
        **key_json(charge.release),
        "owner": charge.owner,
        "job": charge.job,
        "channel": charge.channel,
        "unit": None if charge.unit is None else charge.unit.value,
        "started": to_text(charge.started_us),
        "ended": instant_json(charge.ended_us),
        "closed": instant_json(charge.closed_us),
        "released": charge.released,
        "counted": charge.counted,
        "charged": charge.charged,
        "unproven": charge.unproven,
        "expected": interval_json(charge.expected),
        "grade": None if charge.grade is None else charge.grade.value,
        "verdict": None if charge.verdict is None else charge.verdict.value,
        "reasons": list(charge.reasons),
    }


def posting_json(posting: Posting) -> dict[str, Any]:
    return {
        "printer": posting.printer,
        "run": posting.run,
        "channel": posting.channel,
        "opens": to_text(posting.opens_us),
        "closes": to_text(posting.closes_us),
        "legs": [{"account": account, "pages": pages} for account, pages in posting.legs],
    }


def finding_json(finding: Finding) -> dict[str, Any]:
    return {
        "id": finding.id,
        "kind": finding.kind,
        "severity": finding.severity,
        "printer": finding.printer,
        "since": to_text(finding.since_us),
        "until": instant_json(finding.until_us),
        "state": finding.state,
        "place": finding.place,
        "pages": finding.pages,
        "reason": finding.reason or None,
        "text": text_of(finding, to_text),
        "what": evidence_json(finding.what),
        "evidence": [evidence_json(one) for one in finding.evidence],
        "releases": [key_json(key) for key in finding.releases],
    }


def evidence_json(evidence: Evidence) -> dict[str, Any]:
    """``personal``: no message may hold it. ``text`` is the same in words, its instants in UTC."""
    return {
        "kind": evidence.kind.value,
        "values": dict(_value_json(name, value) for name, value in evidence.values),
        "release": None if evidence.release is None else key_json(evidence.release),
        "personal": evidence.personal,
        "text": words_of(evidence, to_text),
    }


def _value_json(name: str, value: Value) -> tuple[str, Any]:
    """An instant as text, under the name that rows have for it; figures by channel as an object."""
    if isinstance(value, int):
        return (name.removesuffix("_us"), to_text(value)) if name.endswith("_us") else (name, value)
    if isinstance(value, tuple) and any(isinstance(one, tuple) for one in value):
        return name, {one[0]: one[1] for one in value}
    return name, list(value) if isinstance(value, tuple) else value


def conserved_json(line: Conserved) -> dict[str, Any]:
    return {
        "printer": line.printer,
        "run": line.run,
        "channel": line.channel,
        "first": line.first,
        "last": line.last,
        "accounted": line.accounted,
        "balanced": line.balanced,
        "ok": line.ok,
    }


def waiting_json(line: Waiting) -> dict[str, Any]:
    return {"channel": line.channel, "pages": line.pages, "releases": line.releases}
