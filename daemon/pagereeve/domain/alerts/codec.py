"""Alerts and their messages as JSON objects, both ways, as the store keeps them.

Members bear the fields' names; instants are whole microseconds; what is unknown is written too, as "" or null.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, get_args

from pagereeve.domain.alerts.alert import MEMBERS_MAX, Alert
from pagereeve.domain.alerts.digest import LISTED_MAX
from pagereeve.domain.alerts.message import STEPS, Notification, OpenAlert
from pagereeve.domain.findings.evidence_codec import EVIDENCE
from pagereeve.domain.ledger import Finding, FindingState, Severity
from pagereeve.domain.values.codec import (
    TEXT,
    TRUTH,
    Codec,
    Kind,
    Member,
    choice,
    inner,
    integer,
    listed,
    text,
    texts,
)
from pagereeve.domain.values.fields import Fields

EVIDENCE_MAX: Final = 64
LONGEST: Final = 16_384
_FAR: Final = 2**62


def alert_of(members: Any) -> Alert:
    """Raises BadFact."""
    return _ALERT.read(Fields(members, "alert"))


def notification_of(members: Any) -> Notification:
    """Raises BadFact."""
    return _NOTIFICATION.read(Fields(members, "notification"))


def _text(name: str) -> Member:
    return Member(name, TEXT, default="", written=True)


def _instant_or_null(name: str) -> Member:
    return Member(name, _NUMBER, default=None, written=True)


def _by_id(fields: Fields, name: str) -> dict[str, Finding]:
    return {one.id: one for one in _MEMBERS.need(fields, name)}


def _in_a_list(members: Mapping[str, Finding]) -> list[dict[str, Any]]:
    return [_FINDING.write(one) for one in members.values()]


def _names(fields: Fields, name: str) -> frozenset[str]:
    return frozenset(fields.texts(name, MEMBERS_MAX))


_NUMBER: Final = integer(-_FAR, _FAR)
_COUNT: Final = integer(0, _FAR)
_SEVERITY: Final = choice(get_args(Severity))
_SENTENCE: Final = text(LONGEST)

# Abridged: it names no releases.
_FINDING: Final = Codec(
    Finding,
    Member("id", TEXT),
    Member("kind", TEXT),
    Member("severity", _SEVERITY),
    _text("printer"),
    Member("since_us", _NUMBER),
    _instant_or_null("until_us"),
    Member("state", choice(get_args(FindingState))),
    Member("what", inner(EVIDENCE)),
    Member("evidence", listed(inner(EVIDENCE), EVIDENCE_MAX)),
    Member("pages", _NUMBER, default=None, written=True),
    _text("reason"),
    _text("place"),
    outside=("releases",),
)
_MEMBERS: Final = listed(inner(_FINDING), MEMBERS_MAX)
_ALERT: Final = Codec(
    Alert,
    Member("id", TEXT),
    Member("kind", TEXT),
    Member("subject", TEXT),
    _text("printer"),
    _text("gateway"),
    Member("seen_us", _NUMBER),
    Member("since_us", _NUMBER),
    Member("last", inner(_FINDING)),
    Member("members", Kind(_by_id, _by_id, _in_a_list)),
    Member("told", _COUNT),
    Member("told_us", _NUMBER),
    Member("told_members", Kind(_names, _names, sorted)),
    _instant_or_null("fresh_us"),
    _instant_or_null("clear_us"),
    Member("by_person", TRUTH),
    Member("wide", TRUTH),
    Member("quiet", TRUTH),
    Member("more", TRUTH),
    _instant_or_null("ended_us"),
)
_OPEN_ALERT: Final = Codec(
    OpenAlert,
    Member("alert", TEXT),
    Member("kind", TEXT),
    Member("severity", _SEVERITY),
    Member("subject", TEXT),
    _text("printer"),
    _text("gateway"),
    Member("since_us", _NUMBER),
    Member("title", _SENTENCE),
)
_NOTIFICATION: Final = Codec(
    Notification,
    Member("alert", TEXT),
    Member("nth", integer(1, _FAR)),
    Member("step", choice(STEPS)),
    Member("kind", TEXT),
    Member("severity", _SEVERITY),
    Member("subject", TEXT),
    _text("printer"),
    _text("gateway"),
    Member("since_us", _NUMBER),
    Member("at_us", _NUMBER),
    _instant_or_null("until_us"),
    Member("title", _SENTENCE),
    Member("what", _SENTENCE),
    Member("cost", _SENTENCE, default="", written=True),
    Member("evidence", texts(EVIDENCE_MAX, LONGEST)),
    Member("first", _SENTENCE),
    Member("command", _SENTENCE),
    Member("findings", _COUNT),
    Member("pages", _NUMBER, default=None, written=True),
    Member("zone", TEXT, default="UTC"),
    Member("alerts", listed(inner(_OPEN_ALERT), LISTED_MAX), default=()),
    Member("alerts_open", _COUNT, default=0),
)

alert_json: Final = _ALERT.write
notification_json: Final = _NOTIFICATION.write
