"""From findings to alerts: one alert for a kind and its place, sent once, and again when it is over.

Pure: the owner of the alerts passes in the stored state of a finding and the time, and stores the result.
Hold times up and down (prometheus/alertmanager#204, #1063, #3048; canonical/hardware-observer-operator#476), one alert
a printer and class, a gateway's failure is one alert, and a difference needs an action to be over.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from pagereeve.domain.ledger import SEVERITIES, Finding, Severity
from pagereeve.domain.values.instants import SECOND_US

MEMBERS_MAX: Final = 500
"""Findings that an alert keeps at a time; the others are looked up once these are over."""

EVIDENCE_SHOWN_MAX: Final = 3
# So many silent printers behind one gateway, or all of two: the gateway is what people look at. One is told as itself.
GATEWAY_PRINTERS = 3
# Kinds in which printers behind one gateway fail together.
SHARED_FATE: Final = frozenset({"meter-silent", "wrong-responder"})
UNKNOWN_PRINTER: Final = "unknown-printer"
# What a sender calls printers that nobody knows is about the sender, however many names it uses; and a subject is no
# place for text that comes from outside.
NAMING_SENDER: Final = "the sender of release notices"
# Of a whole fleet this is one thing to know, however many printers it is about.
UNIT_ASSUMED: Final = "unit-assumed"
ASSUMING: Final = "printers on an assumed unit"
GATEWAY_DOWN: Final = "gateway-down"
# Kinds that are over by themselves; of the others a person says so.
PASSING: Final = SHARED_FATE | {
    "unit-not-usable",
    "source-clock-off",
    "feed-silent",
    "clock-stepped",
    "clock-not-agreed",
    "receiver-retired",
    GATEWAY_DOWN,
    "site-behind",
    "reader-noisy",
    "reader-form-changed",
    "reader-flooded",
    "tickets-incomplete",
    "unit-contradicted",
    UNIT_ASSUMED,
    "witnesses-disagree",
    UNKNOWN_PRINTER,
}
RANK: Final[dict[Severity, int]] = {severity: rank for rank, severity in enumerate(reversed(SEVERITIES))}


@dataclass(frozen=True, slots=True)
class AlertPolicy:
    """``hold_us``: how long a finding is open before it is sent; ``hold_over_us``: closed before its end is.

    ``again_us``: an alert with findings not yet sent is sent again, at most this often.

    That holds are wanted: prometheus/alertmanager#204, #1063, #3048; their lengths are our choice.
    """

    hold_us: int = 120 * SECOND_US
    hold_over_us: int = 600 * SECOND_US
    again_us: int = 86_400 * SECOND_US


@dataclass(frozen=True, slots=True)
class SiteLayout:
    """Each printer's gateway, how many printers are behind a gateway, what is muted now, and the site's time zone."""

    gateway_of: Mapping[str, str] = field(default_factory=dict)
    behind: Mapping[str, int] = field(default_factory=dict)
    is_quiet: Callable[[str, str, int], bool] = lambda _printer, _gateway, _at_us: False
    zone: str = "UTC"


@dataclass(frozen=True, slots=True)
class Alert:
    """One alert that people receive. ``members`` are its open findings by id, in order of their beginning.

    Findings are abridged: an alert names nobody. ``seen_us`` is when it was first seen, or when a quiet time ended;
    ``told`` counts its messages; ``fresh_us`` is when the first finding came that no message has reported; ``clear_us``
    when the last open finding went. ``wide``: it is sent as the gateway's; of a printer's alert, its findings are now
    in its gateway's, and it is over. ``more``: others are open for which ``members`` had no room. ``quiet``: it is
    muted now. ``last`` is the finding that represents it, also when it is over; ``ended_us`` when it was.
    """

    id: str
    kind: str
    subject: str
    printer: str
    gateway: str
    seen_us: int
    since_us: int
    last: Finding
    members: Mapping[str, Finding] = field(default_factory=dict)
    told: int = 0
    told_us: int = 0
    told_members: frozenset[str] = frozenset()
    fresh_us: int | None = None
    clear_us: int | None = None
    by_person: bool = False
    wide: bool = False
    quiet: bool = False
    more: bool = False
    ended_us: int | None = None

    @property
    def severity(self) -> Severity:
        known = [one.severity for one in self.members.values()] or [self.last.severity]
        return max(known, key=lambda one: RANK[one])

    @property
    def is_gathered(self) -> bool:
        """Its printer is told of in its gateway's alert from now on."""
        return self.wide and bool(self.printer)

    @property
    def printers(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(one.printer for one in self.members.values() if one.printer))

    @property
    def pages(self) -> int | None:
        counts = [one.pages for one in (self.members.values() or [self.last]) if one.pages is not None]
        return sum(counts) if counts else None


def place_of(finding: Finding, around: SiteLayout) -> tuple[str, str, str]:
    """(subject, printer, gateway) of the alert that a finding belongs to; findings of one kind and subject share it."""
    gateway = around.gateway_of.get(finding.printer, "")
    if finding.kind == UNKNOWN_PRINTER:
        return NAMING_SENDER, "", ""
    if finding.kind == UNIT_ASSUMED:
        return ASSUMING, "", ""
    if finding.printer:
        return finding.printer, finding.printer, gateway
    return finding.place, "", _gateway_of(finding)


def _gateway_of(finding: Finding) -> str:
    """The gateway that a finding of no printer is about; "" where it is about something else."""
    return str(finding.what.value("gateway") or "") if finding.kind == GATEWAY_DOWN else ""


def begun(finding: Finding, around: SiteLayout, now_us: int) -> Alert:
    """A finding that no alert holds yet. One that comes again later is another alert: hence the time in its id."""
    subject, printer, gateway = place_of(finding, around)
    identity = _identity(finding.kind, subject, finding.id, now_us)
    alert = Alert(identity, finding.kind, subject, printer, gateway, now_us, finding.since_us, abridged(finding))
    return joined(alert, finding, now_us)


def _identity(kind: str, subject: str, finding: str, now_us: int) -> str:
    name = f"{kind}\n{subject}\n{finding}\n{now_us}"
    return f"a-{hashlib.sha256(name.encode()).hexdigest()[:12]}"


def abridged(finding: Finding) -> Finding:
    """What a message may say of a finding, and no more: the first of its evidence that is not personal."""
    evidence = tuple(one for one in finding.evidence if not one.personal)
    return replace(finding, evidence=evidence[:EVIDENCE_SHOWN_MAX], releases=())


def joined(alert: Alert, finding: Finding, now_us: int) -> Alert:
    """An open finding, new to the alert or with other words than before."""
    if finding.id not in alert.members and len(alert.members) >= MEMBERS_MAX:
        return alert if alert.more else replace(alert, more=True)
    known = {**alert.members, finding.id: abridged(finding)}.values()
    members = {one.id: one for one in sorted(known, key=lambda one: (one.since_us, one.printer, one.id))}
    fresh_us = alert.fresh_us
    if fresh_us is None and finding.id not in alert.told_members:
        fresh_us = now_us
    first = next(iter(members.values()))
    return replace(
        alert,
        members=members,
        fresh_us=fresh_us,
        clear_us=None,
        last=first,
        since_us=min(alert.since_us, finding.since_us),
    )


def left(alert: Alert, name: str, ended: Finding | None, now_us: int) -> Alert:
    """A finding that is over, decided, or gone (``ended`` None): what came later explains it."""
    if name not in alert.members:
        return alert
    members = {known: one for known, one in alert.members.items() if known != name}
    last = alert.members[name] if ended is None else abridged(ended)
    if members:
        return replace(alert, members=members, last=next(iter(members.values())))
    # A person's decision is final; what ends by itself may recur.
    said = ended is not None and (ended.state == "explained" or ended.kind not in PASSING)
    return replace(alert, members={}, clear_us=now_us, by_person=said, last=last, fresh_us=None)


def shared_place(finding: Finding, around: SiteLayout) -> str:
    """The subject of its gateway's alert, which a finding joins while there is one; "" where none could be."""
    gateway = around.gateway_of.get(finding.printer, "")
    return _of_gateway(gateway) if finding.kind in SHARED_FATE and gateway else ""


def _of_gateway(gateway: str) -> str:
    return f"gateway {gateway}"


def share_fate(alert: Alert, others: Iterable[Alert], around: SiteLayout) -> list[Alert]:
    """The open alerts of printers behind the gateway of ``alert``'s, itself among them; none where they are too few.

    ``alert`` is due to be told: so the third printer's silence has lasted, and does not merely flap.
    """
    if alert.kind not in SHARED_FATE or not alert.gateway or not alert.printer:
        return []
    same = [one for one in others if (one.kind, one.gateway) == (alert.kind, alert.gateway)]
    failing = [one for one in same if one.printer and one.members and not one.quiet and one.ended_us is None]
    return failing if _are_many(len(failing), alert.gateway, around) else []


def gathered(alerts: Sequence[Alert], now_us: int) -> tuple[Alert, list[Alert]]:
    """The gateway's alert in the place of its printers' alerts, and these as they are then: over."""
    first = min(alerts, key=lambda one: (one.seen_us, one.id))
    subject = _of_gateway(first.gateway)
    members = [finding for one in alerts for finding in one.members.values()]
    identity = _identity(first.kind, subject, first.last.id, now_us)
    whole = replace(first, id=identity, subject=subject, printer="", members={}, told=0, told_us=0, fresh_us=None)
    whole = replace(whole, told_members=frozenset(), more=any(one.more for one in alerts))
    for finding in members:
        whole = joined(whole, finding, now_us)
    return whole, [replace(one, members={}, more=False, wide=True, clear_us=now_us, fresh_us=None) for one in alerts]


def is_wide(alert: Alert, around: SiteLayout) -> bool:
    """So many printers behind the gateway fail that the gateway itself is what people should look at."""
    if alert.printer or not alert.gateway:
        return False
    return _are_many(len(alert.printers), alert.gateway, around)


def _are_many(failing: int, gateway: str, around: SiteLayout) -> bool:
    return failing > 1 and failing >= min(GATEWAY_PRINTERS, around.behind.get(gateway, GATEWAY_PRINTERS))
