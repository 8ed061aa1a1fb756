"""The words of a message, the same whatever carries it: what happened, what it costs, what shows it, what to do first.

All text from outside is made visible and cut here: no line break, control or direction character gets into a header,
a label or a terminal, and no message grows without bound.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from pagereeve.domain.alerts.digest import LISTED_MAX
from pagereeve.domain.alerts.message import Notification, OpenAlert
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.local_time import local_time
from pagereeve.domain.values.visible import visible

TITLE_MAX: Final = 200
TEXT_MAX: Final = 1_000
LINE_MAX: Final = 400
NAME_MAX: Final = 128
EVIDENCE_MAX: Final = 3
CUT: Final = "…"


def one_line(text: str, length_max: int) -> str:
    """``text`` as one line of at most ``length_max`` characters, whatever a reader would obey written out."""
    # A text of several lines reads as one; anything else that isn't printable is shown as what it is.
    line = visible(" ".join(text.split()))
    return line if len(line) <= length_max else line[: length_max - 1] + CUT


def bounded(notification: Notification) -> Notification:
    """The message with every text in one bounded line, and no more evidence than there is room for."""
    return replace(
        notification,
        kind=one_line(notification.kind, NAME_MAX),
        alert=one_line(notification.alert, NAME_MAX),
        subject=one_line(notification.subject, NAME_MAX),
        printer=one_line(notification.printer, NAME_MAX),
        gateway=one_line(notification.gateway, NAME_MAX),
        title=one_line(notification.title, TITLE_MAX),
        what=one_line(notification.what, TEXT_MAX),
        cost=one_line(notification.cost, TEXT_MAX),
        evidence=tuple(one_line(line, LINE_MAX) for line in notification.evidence[:EVIDENCE_MAX]),
        first=one_line(notification.first, TEXT_MAX),
        command=one_line(notification.command, LINE_MAX),
        alerts=tuple(_bounded(one) for one in notification.alerts[:LISTED_MAX]),
    )


def _bounded(one: OpenAlert) -> OpenAlert:
    return replace(
        one,
        kind=one_line(one.kind, NAME_MAX),
        alert=one_line(one.alert, NAME_MAX),
        subject=one_line(one.subject, NAME_MAX),
        printer=one_line(one.printer, NAME_MAX),
        gateway=one_line(one.gateway, NAME_MAX),
        title=one_line(one.title, TITLE_MAX),
    )


@dataclass(frozen=True, slots=True)
class MessagePart:
    """One part of a message under its heading."""

    heading: str
    lines: tuple[str, ...]
    is_command: bool = False


def stable_subject(notification: Notification) -> str:
    """The same for every message of an alert, so that mail clients put them together; others have their own."""
    if notification.step == "digest":
        return f"Pagereeve: {amount(notification.alerts_open, 'alert')} already open"
    if notification.is_trial:
        return f"Pagereeve: test message to {one_line(notification.subject, NAME_MAX)}, nothing is wrong"
    kind = one_line(notification.kind, NAME_MAX).replace("-", " ")
    subject = one_line(notification.subject, NAME_MAX)
    return f"Pagereeve: {kind}" + (f" ({subject})" if subject else "")


def standing(notification: Notification) -> str:
    """Its state: ``Critical, since 2026-11-25 10:00:00 CET.``"""
    since = local_time(notification.since_us, notification.zone)
    if notification.is_trial:
        return f"Sent {since}."
    if notification.step == "digest":
        return f"{notification.severity.capitalize()} at the worst; the oldest since {since}."
    if notification.is_over:
        until_us = notification.at_us if notification.until_us is None else notification.until_us
        return f"Over since {local_time(until_us, notification.zone)}; it began {since}."
    severity = notification.severity.capitalize()
    return f"{severity}, since {since}." if notification.step == "opened" else f"{severity}, still so, since {since}."


def parts(notification: Notification) -> tuple[MessagePart, ...]:
    """What a message says, in the order in which it is read; parts without a text are left out."""
    is_digest = notification.step == "digest"
    wanted = (
        MessagePart("Open alerts", _open_alerts(notification)),
        MessagePart("Why this comes" if is_digest else "What happened", (notification.what,)),
        MessagePart("What it costs", () if notification.is_over else (notification.cost,)),
        MessagePart("What shows it", notification.evidence),
        MessagePart("What to do first", () if notification.is_over else (notification.first,)),
        MessagePart("Everything about it", (notification.command,), is_command=True),
    )
    return tuple(part for part in wanted if any(part.lines))


def _open_alerts(notification: Notification) -> tuple[str, ...]:
    lines = [
        f"{one.severity}: {one.title}, since {local_time(one.since_us, notification.zone)}"
        for one in notification.alerts
    ]
    more = notification.alerts_open - len(lines)
    return (*lines, f"and {more} more") if more > 0 else tuple(lines)


def behind(notification: Notification) -> tuple[str, ...]:
    """The last lines: how much is behind it (``2 open findings, about 14 pages.``), its name, whose time it gives."""
    times = f"Times are those of {notification.zone}."
    if not notification.is_of_alert:
        return (times,)
    pages = "" if notification.pages is None else f", about {amount(notification.pages, 'page')}"
    count = f"{amount(notification.findings, 'open finding')}{pages}." if notification.findings else ""
    last = f"Alert {notification.alert}, message {notification.nth}. {times}"
    return (count, last) if count else (last,)


def plain_text(notification: Notification) -> str:
    """The whole message as plain text, lines ended by a line feed."""
    known = bounded(notification)
    lines = [known.title, standing(known), ""]
    for part in parts(known):
        lines += [f"{part.heading}:", *(f"  {line}" for line in part.lines), ""]
    return "\n".join([*lines, *behind(known), ""])


def one_liner(notification: Notification) -> str:
    """The whole message in one line; the end of it may be cut."""
    known = bounded(notification)
    texts = (known.title, standing(known), *(line for part in parts(known) for line in part.lines))
    return " ".join(text if text.endswith((".", "!", "?")) else f"{text}." for text in texts if text)
