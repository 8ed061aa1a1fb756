"""Facts and segments with invented content, for tests of the journal."""

from __future__ import annotations

from dataclasses import replace

from pagereeve.domain.facts.facts import (
    BadgePresented,
    Origin,
    Outcome,
    PlateauRead,
    ReadFailed,
    ReleaseEnded,
    ReleaseStarted,
)
from pagereeve.domain.facts.reading import Count, Plateau, PrinterState, Reading, Sight, Silence, SilenceReason, Unit
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.ledger import (
    STRAY,
    Charge,
    Finding,
    FindingState,
    Grade,
    Interval,
    Posting,
    ReleaseKey,
    RowSegment,
    Stretch,
    Verdict,
    person,
)
from tests.findings import said

NOON_US = 1_767_268_800_000_000  # 2026-01-01T12:00:00Z
SECOND_US = 1_000_000
SERVER = "urn:example:release-server"


def origin(event_id: str, at_us: int = NOON_US, source: str = SERVER) -> Origin:
    return Origin(source, event_id, at_us, at_us + SECOND_US, at_us)


def started(
    event_id: str, printer: str = "printer-a", *, at_us: int = NOON_US, release: str = "", job: str = "job-1"
) -> ReleaseStarted:
    return ReleaseStarted(printer, origin(event_id, at_us), release or f"release-{event_id}", job, "owner-1")


def ended(
    event_id: str, release: str, printer: str = "", *, at_us: int = NOON_US, outcome: Outcome = "completed"
) -> ReleaseEnded:
    return ReleaseEnded(printer, origin(event_id, at_us), release, outcome)


def badge(event_id: str, printer: str = "printer-a", *, at_us: int = NOON_US) -> BadgePresented:
    return BadgePresented(printer, origin(event_id, at_us), "b-0000", "gateway-1")


def read(total: int, printer: str = "printer-a", *, at_us: int = NOON_US) -> PlateauRead:
    sight = Sight((("total", Count(total, Unit.IMPRESSIONS)),), "serial-1", "1.3.6.1", PrinterState.IDLE)
    return PlateauRead(printer, Plateau.of(Reading(at_us, at_us + 1_000, sight, uptime_cs=total)))


def failed(printer: str = "printer-a", *, at_us: int = NOON_US) -> ReadFailed:
    return ReadFailed(printer, Silence(at_us, at_us + 2 * SECOND_US, 1, SilenceReason.TIMEOUT, "no answer within 2 s"))


def stretch(printer: str, opens_us: int, closes_us: int, *keys: ReleaseKey) -> Stretch:
    return Stretch(
        printer=printer,
        run=1,
        channel="total",
        unit=Unit.IMPRESSIONS,
        opens_us=opens_us,
        closes_us=closes_us,
        before=100,
        after=103,
        counted=3,
        releases=keys,
        grade=Grade.TIGHT if keys else None,
        verdict=Verdict.AGREES if keys else None,
        expected=Interval(3, None) if keys else None,
        reasons=("sides-unknown",) if keys else (),
    )


def charge(printer: str, key: ReleaseKey, started_us: int, channel: str = "total") -> Charge:
    return Charge(
        printer=printer,
        release=key,
        owner="owner-1",
        job="job-1",
        channel=channel,
        unit=Unit.IMPRESSIONS,
        started_us=started_us,
        ended_us=started_us + SECOND_US,
        closed_us=None,
        released=3,
        counted=3,
        charged=3,
        unproven=0,
        expected=Interval(3, 4),
        grade=Grade.SHARED,
        verdict=Verdict.AGREES,
        reasons=("blank-backs", "separators-unknown"),
    )


def posting(printer: str, closes_us: int) -> Posting:
    legs = ((f"meter:{printer}", -3), (person("owner-1"), 2), (STRAY, 1))
    return Posting(printer, 1, "total", closes_us - SECOND_US, closes_us, legs)


def finding(
    printer: str, number: int, *keys: ReleaseKey, since_us: int = NOON_US, state: FindingState = "open"
) -> Finding:
    return Finding(
        id=f"finding-{printer}-{number}",
        kind="surplus",
        severity="warning",
        printer=printer,
        since_us=since_us,
        until_us=None,
        state=state,
        what=said("3 pages more than released"),
        evidence=(shown.counted_so_far("total", 100, since_us, 3, since_us), *map(shown.release, keys)),
        releases=tuple(sorted(keys)),
    )


def key(number: int) -> ReleaseKey:
    return ReleaseKey(SERVER, f"release-{number}")


def segment(printer: str, number: int, *, seeded: bool = True) -> RowSegment:
    """A segment with one of everything, ``number`` minutes after noon."""
    anchor_us = NOON_US + number * 60 * SECOND_US
    closes_us = anchor_us + 30 * SECOND_US
    return RowSegment(
        printer=printer,
        anchor_us=anchor_us,
        resume_point={"version": 1, "totals": {"total": 103}, "open": []} if seeded else None,
        stretches=(stretch(printer, anchor_us, closes_us, key(number)), stretch(printer, closes_us, closes_us + 1)),
        charges=(charge(printer, key(number), anchor_us), charge(printer, key(number), anchor_us, "mono")),
        postings=(posting(printer, closes_us),),
        findings=(finding(printer, number, key(number), since_us=anchor_us),),
    )


def without_resume_point(full: RowSegment) -> RowSegment:
    return replace(full, resume_point=None)
