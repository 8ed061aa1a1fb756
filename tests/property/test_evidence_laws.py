"""Who is named, and what a sender words freely, stands in personal evidence alone, and in no message."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.alerts.alert import SiteLayout, begun, left
from pagereeve.domain.alerts.codec import alert_json, notification_json
from pagereeve.domain.alerts.telling import compose
from pagereeve.domain.badges.checks import CheckedEvent
from pagereeve.domain.badges.projector import badge_findings
from pagereeve.domain.facts.events import data_of, event_of
from pagereeve.domain.facts.facts import (
    BadgePolicySet,
    BadgePresented,
    Bound,
    Decided,
    Fact,
    PrinterNoted,
    Registered,
    ReleaseStarted,
)
from pagereeve.domain.facts.site_in_force import SiteRules
from pagereeve.domain.ledger import EvidenceKind, Finding
from pagereeve.domain.projection.projector import replay
from tests.findings import lines_of, text_of
from tests.property.days import make_day
from tests.property.test_badge_laws import DAY_US, POLICY, an_hour

MARK = "a-person-or-a-senders-word"
NOW_US = DAY_US + 10**12
PERSONAL = {EvidenceKind.JOB, EvidenceKind.OWNERS, EvidenceKind.STYLE, EvidenceKind.NOTED, EvidenceKind.DECIDED}


def marked(fact: Fact) -> Fact:
    """The fact with a mark in all that names a person or is free text."""
    match fact:
        case ReleaseStarted():
            ticket = replace(fact.ticket, title=MARK)
            return replace(
                fact,
                owner=f"{MARK} {fact.owner}",
                job=f"{MARK} {fact.job}",
                badge=f"{MARK} {fact.badge}" if fact.badge else "",
                queue=MARK,
                ticket=ticket,
                was=MARK,
            )
        case PrinterNoted():
            return replace(fact, text=MARK)
        case Decided():
            return replace(fact, by=MARK, text=MARK)
        case BadgePresented():
            resembles = f"{MARK} {fact.resembles}" if fact.resembles else ""
            kind, data = data_of(replace(fact, badge=f"{MARK} {fact.badge}"))
            read = event_of(kind, fact.origin, data | {"outcome": f"{MARK} let in"})
            assert isinstance(read, BadgePresented)
            return replace(read, resembles=resembles)
        case Bound():
            return replace(fact, owner=f"{MARK} {fact.owner}", badge=f"{MARK} {fact.badge}")
    return fact


def check(findings: Sequence[Finding]) -> None:
    for finding in findings:
        assert MARK not in text_of(finding)
        assert not finding.what.personal
        for one, line in zip(finding.evidence, lines_of(finding), strict=True):
            assert one.personal == (one.kind in PERSONAL)
            assert one.personal or MARK not in line + repr(one)
        alert = begun(finding, SiteLayout(), NOW_US)
        for step, known in (("opened", alert), ("resolved", left(alert, finding.id, finding, NOW_US))):
            after, message = compose(known, step, SiteLayout(), NOW_US)  # type: ignore[arg-type]
            assert MARK not in repr(notification_json(message)) + repr(alert_json(after))


def of_day(seed: int) -> list[Finding]:
    day = make_day(seed, life=True)
    facts = [marked(fact) for fact in day.facts]
    return replay("invented-printer", facts, day.open_run).findings


def of_hour(seed: int) -> list[Finding]:
    standing = [BadgePolicySet(DAY_US - 1, POLICY)]
    standing += [Registered(DAY_US - 1, f"p{nth}", f"g{nth % 2}") for nth in range(4)]  # type: ignore[misc]
    standing += [marked(Bound(0, f"b{nth}", f"owner{nth}", DAY_US - 1)) for nth in range(4)]  # type: ignore[misc]
    events = [event for fact in an_hour(seed) if isinstance(event := marked(fact), CheckedEvent)]
    return badge_findings(SiteRules.of(standing), events)


@given(st.integers(0, 10**6))
@settings(max_examples=60)
def test_of_a_printers_day_no_message_and_no_impersonal_evidence_names_anybody(seed: int) -> None:
    findings = of_day(seed)
    check(findings)
    for finding in findings:
        named = {one.release for one in finding.evidence if one.release is not None}
        assert named <= set(finding.releases)


@given(st.integers(0, 10**6))
@settings(max_examples=60)
def test_of_the_badge_checks_no_message_and_no_impersonal_evidence_names_anybody(seed: int) -> None:
    check(of_hour(seed))


def test_the_days_are_such_that_marks_are_found() -> None:
    """Else the laws would hold of nothing."""
    findings = [finding for seed in range(40) for finding in (*of_day(seed), *of_hour(seed))]
    shown = {one.kind for finding in findings for one in finding.evidence if MARK in repr(one)}
    assert shown == PERSONAL
