"""What was open before a receiver came: one message that lists it, instead of none or of one for each alert."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Final

from pagereeve.domain.alerts.alert import RANK, Alert
from pagereeve.domain.alerts.message import Notification, OpenAlert
from pagereeve.domain.alerts.telling import title_of
from pagereeve.domain.values.amounts import amount, form

KIND: Final = "open-alerts"
LISTED_MAX: Final = 50
"""Alerts that a digest names; of the others it says how many they are."""


def digest(receiver: str, alerts: Sequence[Alert], zone: str, now_us: int) -> Notification:
    """The message for a receiver that is new. ``alerts`` are open and were sent to others, or to nobody; at least one.

    The worst come first, and of these the oldest.
    """
    ordered = sorted(alerts, key=lambda one: (-RANK[one.severity], one.since_us, one.id))
    count = len(ordered)
    pages = [one.pages for one in ordered if one.pages is not None]
    identity = hashlib.sha256(f"{receiver}\n{now_us}".encode()).hexdigest()[:12]
    return Notification(
        alert=f"digest-{identity}",
        nth=1,
        step="digest",
        kind=KIND,
        severity=ordered[0].severity,
        subject=receiver,
        printer="",
        gateway="",
        since_us=min(one.since_us for one in ordered),
        at_us=now_us,
        until_us=None,
        title=f"{amount(count, 'alert')} {form(count, 'was', 'were')} open before this receiver came",
        what=(
            f"The receiver {receiver} is new in the settings, or is in them again. What is listed here began before, "
            "and is still so. This is sent once; from now on there is a message for whatever begins, changes or ends."
        ),
        cost="",
        evidence=(),
        first=form(count, "Look at it.", "Look at them in this order: the worst come first, and of these the oldest."),
        command="pagereeve alerts",
        findings=sum(len(one.members) for one in ordered),
        pages=sum(pages) if pages else None,
        zone=zone,
        alerts=tuple(_listed(one) for one in ordered[:LISTED_MAX]),
        alerts_open=count,
    )


def _listed(alert: Alert) -> OpenAlert:
    return OpenAlert(
        alert=alert.id,
        kind=alert.kind,
        severity=alert.severity,
        subject=alert.subject,
        printer=alert.printer,
        gateway=alert.gateway,
        since_us=alert.since_us,
        title=title_of(alert),
    )
