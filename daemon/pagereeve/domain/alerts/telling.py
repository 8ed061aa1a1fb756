"""Whether an alert is sent now, and with what text. The decision is separate from sending, and has a name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

from pagereeve.domain.alerts.advice import ADVICE, GATEWAY_SILENT, Advice
from pagereeve.domain.alerts.alert import EVIDENCE_SHOWN_MAX, Alert, AlertPolicy, SiteLayout, abridged, is_wide
from pagereeve.domain.alerts.message import Notification, Step
from pagereeve.domain.findings.wording import text_of, words_of
from pagereeve.domain.ledger import Finding
from pagereeve.domain.values.instants import to_text

Decision = Step | Literal["forget"] | None
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


def compose(alert: Alert, step: Step, around: SiteLayout, now_us: int) -> tuple[Alert, Notification]:
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
    advice = GATEWAY_SILENT if wide and not alert.printer else advice_of(alert.kind)
    return told, _message(told, step, advice, now_us)


def advice_of(kind: str) -> Advice:
    """Raises KeyError for a kind that nobody wrote advice for; a test looks that there is none."""
    return ADVICE[kind]


def _message(alert: Alert, step: Step, advice: Advice, now_us: int) -> Notification:
    printers = alert.printers
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
        title=f"{alert.subject}: {advice.headline}",
        what=_what(alert, step, printers),
        cost=advice.cost,
        evidence=_evidence(alert, printers),
        first=advice.first,
        command=_command(alert),
        findings=len(alert.members),
        pages=alert.pages,
    )


def _what(alert: Alert, step: Step, printers: Sequence[str]) -> str:
    if step == "resolved":
        if alert.is_gathered:
            return f"It is told in the alert of gateway {alert.gateway} now, as others behind it fail too."
        if alert.last.state == "explained":
            return f"Explained: {alert.last.reason}. It was: {text_of(alert.last, to_text)}."
        if alert.last.state == "open":
            return f"Later events explain it. It was: {text_of(alert.last, to_text)}."
        return f"It is over. It was: {text_of(alert.last, to_text)}."
    if len(printers) > 1:
        return f"{len(printers)} printers: {', '.join(printers[:10])}{', ...' if len(printers) > 10 else ''}."
    where = f"{printers[0]}: " if printers and not alert.printer else ""
    more = len(alert.members) - 1
    others = f" And {more} more of the kind {'is' if more == 1 else 'are'} open." if more else ""
    return f"{where}{text_of(alert.last, to_text)}.{others}"


def _evidence(alert: Alert, printers: Sequence[str]) -> tuple[str, ...]:
    if len(printers) > 1:
        firsts = {one.printer: one for one in reversed(list(alert.members.values()))}
        return tuple(f"{name}: {text_of(firsts[name], to_text)}" for name in printers[:EVIDENCE_SHOWN_MAX])
    return impersonal(alert.last)


def impersonal(finding: Finding) -> tuple[str, ...]:
    """The first of a finding's evidence that is not personal, in words: what leaves by mail can't be called back.

    The command shows the rest to whoever may see it. Instants are in UTC: a message has many readers.
    """
    return tuple(words_of(one, to_text) for one in abridged(finding).evidence)


def _command(alert: Alert) -> str:
    if len(alert.members) <= 1:
        return f"pagereeve findings show {alert.last.id}"
    return f"pagereeve findings --printer {alert.printer}" if alert.printer else "pagereeve findings"


def trial(at_us: int) -> Notification:
    """A test message to a receiver; it arrives as already over, so that no alert stays open because of it."""
    return Notification(
        alert=f"a-trial-{at_us}",
        nth=1,
        step="resolved",
        kind="trial",
        severity="info",
        subject="a trial",
        printer="",
        gateway="",
        since_us=at_us,
        at_us=at_us,
        until_us=at_us,
        title="Trial: messages arrive here",
        what="Somebody tried whether messages arrive. Nothing is wrong.",
        cost="It costs nothing.",
        evidence=("sent by pagereeve alerts try",),
        first="Nothing is left to do.",
        command="pagereeve alerts",
        findings=0,
    )
