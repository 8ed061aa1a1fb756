"""Alerts and the queues of their receivers, for people and as JSON."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.periods import local_text
from pagereeve.domain.alerts.alert import RANK, Alert
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.instants import to_text
from pagereeve.domain.values.visible import visible
from pagereeve.ports.outbox import Kept, Queue

NO_RECEIVER: Final = (
    "No receiver: these alerts are sent to nobody. Add one under [alerts] in the settings (pagereeve docs alerts shows "
    "how), reload the daemon, and try it: pagereeve alerts try NAME."
)


def alerts_text(
    kept: Sequence[Kept], queues: Mapping[str, Queue], zone: ZoneInfo, receivers: Iterable[str] = ()
) -> str:
    """The worst first; alerts that still wait for their hold say so. ``receivers`` are those of the settings."""
    ordered = sorted(kept, key=lambda one: (-RANK[one[0].severity], one[0].since_us, one[0].id))
    known = {name: Queue() for name in receivers} | dict(queues)
    lines = [line for one in ordered for line in _alert_lines(one, zone, sent=bool(known))] or ["No open alerts."]
    for name, queue in sorted(known.items()):
        waits = "no message waits"
        if queue.oldest_us is not None:
            waits = f"{queue.waiting} waiting since {local_text(queue.oldest_us, zone)}"
        accepted = "never" if queue.last_success_us is None else local_text(queue.last_success_us, zone)
        lines.append(f"receiver {name}: {waits}; last message accepted: {accepted}")
    return "\n".join(lines if known else [*lines, NO_RECEIVER])


def _alert_lines(kept: Kept, zone: ZoneInfo, *, sent: bool) -> list[str]:
    alert, last = kept
    title = visible(last.title if last is not None else f"{alert.subject}: {alert.kind}")
    lines = [f"{state_of(alert):7}  {alert.severity:8}  {title}"]
    messages = _messages(alert.told) if sent else "sent to nobody"
    lines.append(f"{'':19}since {local_text(alert.since_us, zone)}, {messages}, {alert.id}")
    if last is not None:
        lines.append(f"{'':19}{visible(last.what)}")
        lines.append(f"{'':19}{last.command}")
    return lines


def _messages(count: int) -> str:
    return "no message yet" if count == 0 else amount(count, "message")


def state_of(alert: Alert) -> str:
    """``waits`` for its hold, ``quiet`` while it is muted, ``stands``, or ``over``."""
    if alert.ended_us is not None:
        return "over"
    if alert.told:
        return "stands"
    return "quiet" if alert.quiet else "waits"


def alerts_json(kept: Sequence[Kept], queues: Mapping[str, Queue]) -> dict[str, Any]:
    return {
        "alerts": [
            {
                "id": alert.id,
                "state": state_of(alert),
                "kind": alert.kind,
                "severity": alert.severity,
                "subject": alert.subject,
                "since": to_text(alert.since_us),
                "messages": alert.told,
                "title": None if last is None else last.title,
                "findings": list(alert.members),
            }
            for alert, last in kept
        ],
        "receivers": [
            {
                "name": name,
                "waiting": queue.waiting,
                "oldest": None if queue.oldest_us is None else to_text(queue.oldest_us),
                "last_success": None if queue.last_success_us is None else to_text(queue.last_success_us),
            }
            for name, queue in sorted(queues.items())
        ],
    }
