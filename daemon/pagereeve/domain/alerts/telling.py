"""Whether an alert is sent now, and with what text. The decision is separate from sending, and has a name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Literal

from pagereeve.domain.alerts.advice import ADVICE, GATEWAY_SILENT, Advice
from pagereeve.domain.alerts.alert import EVIDENCE_SHOWN_MAX, Alert, AlertPolicy, SiteLayout, abridged, is_wide
from pagereeve.domain.alerts.message import AlertStep, Notification, Step
from pagereeve.domain.findings.wording import At, text_of, words_of
from pagereeve.domain.ledger import Finding
from pagereeve.domain.values.local_time import local_time

Decision = AlertStep | Literal["forget"] | None
"""The step that is sent now; an alert that ended before it was sent; None: nothing now, ask again later."""


def decide(alert: Alert, policy: AlertPolicy, around: SiteLayout, now_us: int) -> tuple[Decision, Alert]:
    """What to do about an alert, and the alert as it is then (a quiet time puts it off)."""
    if alert.ended_us is not None:
        return None, alert
    if not alert.members:
        return _once_clear(alert, policy, now_us), alert
    alert = _hushed(alert, now_us, quiet=_is_quiet(alert, around, now_us))
    if alert.quiet:
        return None, alert
    if not alert.told:
        return ("opened" if now_us - alert.seen_us >= policy.hold_us else None), alert
    return _once_told(alert, policy, now_us), alert


def _hushed(alert: Alert, now_us: int, *, quiet: bool) -> Alert:
    """Once a quiet time is over, what is still so must be so for its hold again."""
    if quiet or not alert.quiet:
        return alert if alert.quiet == quiet else replace(alert, quiet=quiet)
    fresh_us = None if alert.fresh_us is None else now_us
    return replace(alert, quiet=False, fresh_us=fresh_us, seen_us=alert.seen_us if alert.told else now_us)


def _once_clear(alert: Alert, policy: AlertPolicy, now_us: int) -> Decision:
    if not alert.told:
        return "forget"
    clear_us = now_us if alert.clear_us is None else alert.clear_us
    return "resolved" if alert.by_person or alert.is_gathered or now_us - clear_us >= policy.hold_over_us else None


def _once_told(alert: Alert, policy: AlertPolicy, now_us: int) -> Decision:
    """There may be more behind it now."""
    if alert.fresh_us is None or now_us - alert.fresh_us < policy.hold_us:
        return None
    soon = _needs_no_pause(alert) or now_us - alert.told_us >= policy.again_us
    return "updated" if soon else None


def _is_quiet(alert: Alert, around: SiteLayout, now_us: int) -> bool:
    """All that it is about is being worked on: one printer that is not makes it news."""
    places = alert.printers or (alert.printer,)
    return all(around.is_quiet(one, around.gateway_of.get(one, alert.gateway), now_us) for one in places)


def _needs_no_pause(alert: Alert) -> bool:
    """Another printer failed behind a gateway that has not been sent as the gateway's failure yet."""
    if alert.printer or not alert.gateway or alert.wide:
        return False
    reported = {one.printer for name, one in alert.members.items() if name in alert.told_members}
    return any(printer not in reported for printer in alert.printers)


def compose(alert: Alert, step: AlertStep, around: SiteLayout, now_us: int) -> tuple[Alert, Notification]:
    """The next message of the alert, and the alert after it."""
    wide = alert.wide or is_wide(alert, around)
    told = replace(
        alert,
        told=alert.told + 1,
        told_us=now_us,
        told_members=frozenset(alert.members),
        fresh_us=None,
        wide=wide,
        ended_us=(alert.clear_us or now_us) if step == "resolved" else None,
    )
    return told, _message(told, step, around.zone, now_us)


def restated(alert: Alert, last: Notification, around: SiteLayout) -> Notification:
    """The last message of an alert with the words of now, for a receiver that holds states: a finding that somebody
    explained since is not named any more. Its number, its step and its instants are the message's own.
    """
    if alert.ended_us is not None or not alert.members:
        return last
    now = _message(alert, last.step, around.zone, last.at_us)
    return replace(now, nth=last.nth, severity=last.severity, since_us=last.since_us)


def advice_of(kind: str) -> Advice:
    """Raises KeyError for a kind that nobody wrote advice for; a test looks that there is none."""
    return ADVICE[kind]


def title_of(alert: Alert) -> str:
    """What a message about it is headed with, as it is now."""
    return f"{alert.subject}: {_advice(alert).headline}"


def _advice(alert: Alert) -> Advice:
    return GATEWAY_SILENT if alert.wide and not alert.printer else advice_of(alert.kind)


def _message(alert: Alert, step: Step, zone: str, now_us: int) -> Notification:
    printers, advice = alert.printers, _advice(alert)
    at = partial(local_time, zone=zone)
    return Notification(
        alert=alert.id,
        nth=alert.told,
        step=step,
        kind=alert.kind,
        severity=alert.severity,
        subject=alert.subject,
        printer=alert.printer,
        gateway=alert.gateway,
        since_us=alert.since_us,
        at_us=now_us,
        until_us=alert.ended_us,
        title=title_of(alert),
        what=_what(alert, step, printers, at),
        cost=advice.cost,
        evidence=_evidence(alert, step, printers, at),
        first=advice.first,
        command=_command(alert),
        findings=len(alert.members),
        pages=alert.pages,
        zone=zone,
    )


def _what(alert: Alert, step: Step, printers: Sequence[str], at: At) -> str:
    if step == "resolved":
        if alert.is_gathered:
            return f"It is told in the alert of gateway {alert.gateway} now, as others behind it fail too."
        if alert.last.state == "explained":
            return f"Explained: {alert.last.reason}. It was: {text_of(alert.last, at)}."
        if alert.last.state == "open":
            return f"Later events explain it. It was: {text_of(alert.last, at)}."
        return f"It is over. It was: {text_of(alert.last, at)}."
    if len(printers) > 1:
        return f"{len(printers)} printers: {', '.join(printers[:10])}{', ...' if len(printers) > 10 else ''}."
    where = f"{printers[0]}: " if printers and not alert.printer else ""
    more = len(alert.members) - 1
    others = f" And {more} more of the kind {'is' if more == 1 else 'are'} open." if more else ""
    return f"{where}{text_of(alert.last, at)}.{others}"


def _evidence(alert: Alert, step: Step, printers: Sequence[str], at: At) -> tuple[str, ...]:
    if step == "resolved" and alert.last.state == "explained":
        return ()  # nobody doubts it any more
    if len(printers) > 1:
        firsts = {one.printer: one for one in reversed(list(alert.members.values()))}
        return tuple(f"{name}: {text_of(firsts[name], at)}" for name in printers[:EVIDENCE_SHOWN_MAX])
    return impersonal(alert.last, at)


def impersonal(finding: Finding, at: At) -> tuple[str, ...]:
    """The first of a finding's evidence that is not personal, in words: what leaves by mail can't be called back.

    The command shows the rest to whoever may see it. ``at`` writes an instant for the readers.
    """
    return tuple(words_of(one, at) for one in abridged(finding).evidence)


def _command(alert: Alert) -> str:
    if len(alert.members) <= 1:
        return f"pagereeve findings show {alert.last.id}"
    return f"pagereeve findings --printer {alert.printer}" if alert.printer else "pagereeve findings"


def trial(receiver: str, at_us: int, zone: str = "UTC") -> Notification:
    """A test message to a receiver: a step of no alert, so that nothing stays open because of it."""
    return Notification(
        alert=f"a-trial-{at_us}",
        nth=1,
        step="trial",
        kind="trial",
        severity="info",
        subject=receiver,
        printer="",
        gateway="",
        since_us=at_us,
        at_us=at_us,
        until_us=None,
        title="Test message: alerts for this receiver arrive here",
        what=f"Somebody tried whether messages to the receiver {receiver} arrive. This one did. It is no alert.",
        cost="",
        evidence=(),
        first="Nothing is to be done.",
        command="pagereeve alerts",
        findings=0,
        zone=zone,
    )
