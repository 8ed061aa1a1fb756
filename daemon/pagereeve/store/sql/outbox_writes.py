"""Writing the outbox: which findings a projection changed, what was announced, and what receivers have."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any, Final

from sqlalchemy import Connection, Row, bindparam, delete, insert, select

from pagereeve.domain.alerts.codec import alert_json, alert_of, notification_json, notification_of
from pagereeve.domain.alerts.message import Notification
from pagereeve.domain.findings.evidence_codec import evidence_json
from pagereeve.domain.ledger import Finding
from pagereeve.ports.outbox import Announcement, Kept, QueueRemoval
from pagereeve.store.records.batch import Replacement
from pagereeve.store.records.encoding import canonical_text
from pagereeve.store.records.ledger_records import Columns
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.adding import Adding
from pagereeve.store.sql.driven import Driven

BEGINNING_US: Final = -(2**62)

_TABLE: Final = schema.finding.c
# What makes a finding another one for people: its evidence only grows with these.
_STANDING: Final = select(_TABLE.id, _TABLE.state, _TABLE.until_us, _TABLE.pages, _TABLE.reason, _TABLE.what)
_BEHIND: Final = Driven(
    _STANDING.where(_TABLE.printer == bindparam("printer"), _TABLE.anchor_us >= bindparam("from_us"))
)
_ADD_CHANGES: Final = Adding(schema.finding_change)
_DROP_CHANGE: Final = delete(schema.finding_change).where(schema.finding_change.c.number == bindparam("done"))
_DROP_ALERT: Final = delete(schema.alert).where(schema.alert.c.id == bindparam("gone"))
_ADD_ALERTS: Final = insert(schema.alert)
_ADD_MESSAGES: Final = insert(schema.message)
_DROP_MESSAGE: Final = delete(schema.message).where(
    schema.message.c.receiver == bindparam("to"),
    schema.message.c.alert == bindparam("about"),
    schema.message.c.nth == bindparam("number"),
)
_DROP_RECEIVER: Final = delete(schema.receiver).where(schema.receiver.c.name == bindparam("gone"))

Standing = tuple[str, str, int | None, int | None, str, str]


def standing_of(finding: Finding) -> Standing:
    what = canonical_text(evidence_json(finding.what))
    return (finding.id, finding.state, finding.until_us, finding.pages, finding.reason, what)


def changed(before: Iterable[Standing], after: Iterable[Standing]) -> list[str]:
    """Ids of the findings that came, went or read otherwise, each once."""
    return sorted({one[0] for one in set(before) ^ set(after)})


def note_changes(connection: Connection, lot: Sequence[Replacement]) -> None:
    """Called before the segments of the lot are replaced, in the same transaction."""
    names: list[str] = []
    for one in lot:
        from_us = BEGINNING_US if one.from_anchor_us is None else one.from_anchor_us
        before = _BEHIND.rows(connection, {"printer": one.printer, "from_us": from_us})
        after = [standing_of(finding) for segment in one.segments for finding in segment.findings]
        if before or after:
            names += changed(map(tuple, before), after)
    _ADD_CHANGES.add(connection, [{"finding": name} for name in names])


def announce(connection: Connection, announcement: Announcement) -> None:
    if announcement.changes:
        connection.execute(_DROP_CHANGE, [{"done": number} for number in announcement.changes])
    gone = [*announcement.forgotten, *(alert.id for alert, _ in announcement.alerts)]
    if gone:
        connection.execute(_DROP_ALERT, [{"gone": name} for name in gone])
    if announcement.alerts:
        connection.execute(_ADD_ALERTS, [kept_columns(kept) for kept in announcement.alerts])
    if announcement.messages:
        connection.execute(_ADD_MESSAGES, [_message_columns(*one) for one in announcement.messages])


def part(connection: Connection, removal: QueueRemoval) -> None:
    if removal.messages:
        rows = [{"to": removal.receiver, "about": alert, "number": nth} for alert, nth in removal.messages]
        connection.execute(_DROP_MESSAGE, rows)
    if removal.at_us is not None or removal.forget:
        connection.execute(_DROP_RECEIVER, {"gone": removal.receiver})
    if removal.at_us is not None:
        connection.execute(insert(schema.receiver), {"name": removal.receiver, "last_success_us": removal.at_us})


def kept_columns(kept: Kept) -> Columns:
    alert, last = kept
    message = None if last is None else canonical_text(notification_json(last))
    return {"id": alert.id, "body": canonical_text(alert_json(alert)), "message": message}


def kept_of(row: Row[Any]) -> Kept:
    """Raises BadFact for what another version wrote."""
    last = None if row.message is None else notification_of(json.loads(row.message))
    return alert_of(json.loads(row.body)), last


def _message_columns(receiver: str, message: Notification) -> Columns:
    return {
        "receiver": receiver,
        "alert": message.alert,
        "nth": message.nth,
        "at_us": message.at_us,
        "body": canonical_text(notification_json(message)),
    }


def message_of(row: Row[Any]) -> Notification:
    """Raises BadFact for what another version wrote."""
    return notification_of(json.loads(row.body))
