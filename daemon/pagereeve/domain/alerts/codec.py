"""Alerts and their messages as JSON objects, both ways, as the store keeps them. Members bear the fields' names."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, Final, get_args

from pagereeve.domain.alerts.alert import MEMBERS_MAX, Alert
from pagereeve.domain.alerts.message import STEPS, Notification
from pagereeve.domain.findings.evidence_codec import evidence_json, evidence_of
from pagereeve.domain.ledger import Finding, FindingState, Severity
from pagereeve.domain.values.fields import Fields

EVIDENCE_MAX: Final = 64
LONGEST: Final = 16_384
_FAR: Final = 2**62


def alert_json(alert: Alert) -> dict[str, Any]:
    return {
        **{one.name: getattr(alert, one.name) for one in fields(Alert)},
        "last": finding_json(alert.last),
        "members": [finding_json(one) for one in alert.members.values()],
        "told_members": sorted(alert.told_members),
    }


def alert_of(members: Any) -> Alert:
    """Raises BadFact."""
    known = Fields(members, "alert")
    kept = [finding_of(one) for one in known.objects("members", MEMBERS_MAX)]
    alert = Alert(
        id=known.text("id"),
        kind=known.text("kind"),
        subject=known.text("subject"),
        printer=known.optional_text("printer") or "",
        gateway=known.optional_text("gateway") or "",
        seen_us=_instant(known, "seen_us"),
        since_us=_instant(known, "since_us"),
        last=finding_of(known.members("last")),
        members={one.id: one for one in kept},
        told=known.integer("told", 0, _FAR),
        told_us=_instant(known, "told_us"),
        told_members=frozenset(known.texts("told_members", MEMBERS_MAX)),
        fresh_us=_optional_instant(known, "fresh_us"),
        clear_us=_optional_instant(known, "clear_us"),
        by_person=known.truth("by_person"),
        wide=known.truth("wide"),
        quiet=known.truth("quiet"),
        more=known.truth("more"),
        ended_us=_optional_instant(known, "ended_us"),
    )
    known.finish()
    return alert


def finding_json(finding: Finding) -> dict[str, Any]:
    """An abridged finding: it names no releases."""
    members = {one.name: getattr(finding, one.name) for one in fields(Finding) if one.name != "releases"}
    evidence = [evidence_json(one) for one in finding.evidence]
    return members | {"what": evidence_json(finding.what), "evidence": evidence}


def finding_of(members: Any) -> Finding:
    """Raises BadFact."""
    known = Fields(members, "finding")
    finding = Finding(
        id=known.text("id"),
        kind=known.text("kind"),
        severity=known.choice("severity", get_args(Severity)),
        printer=known.optional_text("printer") or "",
        since_us=_instant(known, "since_us"),
        until_us=_optional_instant(known, "until_us"),
        state=known.choice("state", get_args(FindingState)),
        what=evidence_of(known.members("what"), "finding.what"),
        evidence=tuple(map(evidence_of, known.objects("evidence", EVIDENCE_MAX))),
        pages=known.optional_integer("pages", -_FAR, _FAR),
        reason=known.optional_text("reason") or "",
        place=known.optional_text("place") or "",
    )
    known.finish()
    return finding


def notification_json(notification: Notification) -> dict[str, Any]:
    named = {one.name: getattr(notification, one.name) for one in fields(Notification)}
    return named | {"evidence": list(notification.evidence)}


def notification_of(members: Any) -> Notification:
    """Raises BadFact."""
    known = Fields(members, "notification")
    notification = Notification(
        alert=known.text("alert"),
        nth=known.integer("nth", 1, _FAR),
        step=known.choice("step", STEPS),
        kind=known.text("kind"),
        severity=known.choice("severity", get_args(Severity)),
        subject=known.text("subject"),
        printer=known.optional_text("printer") or "",
        gateway=known.optional_text("gateway") or "",
        since_us=_instant(known, "since_us"),
        at_us=_instant(known, "at_us"),
        until_us=_optional_instant(known, "until_us"),
        title=known.text("title", LONGEST),
        what=known.text("what", LONGEST),
        cost=known.text("cost", LONGEST),
        evidence=known.texts("evidence", EVIDENCE_MAX, LONGEST),
        first=known.text("first", LONGEST),
        command=known.text("command", LONGEST),
        findings=known.integer("findings", 0, _FAR),
        pages=known.optional_integer("pages", -_FAR, _FAR),
    )
    known.finish()
    return notification


def _instant(known: Fields, name: str) -> int:
    return known.integer(name, -_FAR, _FAR)


def _optional_instant(known: Fields, name: str) -> int | None:
    return known.optional_integer(name, -_FAR, _FAR)
