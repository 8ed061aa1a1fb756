"""Things a person should look at, with the facts that prove them."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Final, Literal

from pagereeve.domain.brackets.continuity import Step, pace_between
from pagereeve.domain.brackets.expectation import START_UP
from pagereeve.domain.brackets.hypotheses import HINT_PREFIX
from pagereeve.domain.brackets.runs import ChannelBreak, Run, deciding_of
from pagereeve.domain.brackets.sums import broken_part
from pagereeve.domain.brackets.windows import Release, Window
from pagereeve.domain.facts.facts import Action, Decided, FactDamaged
from pagereeve.domain.facts.in_force import MAINTENANCE, TEST_PAGES
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Count, Plateau, Silence, SilenceReason
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.ledger import (
    Evidence,
    EvidenceKind,
    Finding,
    FindingState,
    Interval,
    ReleaseKey,
    Severity,
    Stretch,
    Verdict,
)

Kind = Literal[
    "surplus",
    "shortfall",
    "colour-under-mono",
    "stray-pages",
    "unproven-release",
    "release-without-badge",
    "repeated-release",
    "release-never-ended",
    "windows-waiting",
    "unknown-printer",
    "conflicting-duplicate",
    "source-clock-off",
    "meter-silent",
    "wrong-responder",
    "unit-not-usable",
    "unit-changed",
    "object-changed",
    "meter-replaced",
    "meter-went-back",
    "meter-jumped",
    "meter-stands-still",
    "state-not-believed",
    "unit-assumed",
    "unit-contradicted",
    "witnesses-disagree",
    "printer-restarted",
    "job-without-release",
    "tickets-incomplete",
    "steady-bias",
    "diagnosis",
    "unknown-badge",
    "badge-owner-differs",
    "badge-elsewhere",
    "badge-in-two-places",
    "reader-noisy",
    "reader-form-changed",
    "reader-flooded",
    "feed-silent",
    "facts-lost",
    "fact-damaged",
    "clock-stepped",
    "clock-not-agreed",
    "receiver-retired",
    "gateway-down",
    "site-behind",
]

SEVERITY: Final[dict[Kind, Severity]] = {
    "surplus": "warning",
    "shortfall": "warning",
    "colour-under-mono": "info",
    "stray-pages": "warning",
    "unproven-release": "warning",
    "release-without-badge": "info",
    "repeated-release": "info",
    "release-never-ended": "info",
    "windows-waiting": "warning",
    "unknown-printer": "warning",
    "conflicting-duplicate": "warning",
    "source-clock-off": "warning",
    "meter-silent": "critical",
    "wrong-responder": "critical",
    "unit-not-usable": "critical",
    "unit-changed": "critical",
    "object-changed": "warning",
    "meter-replaced": "critical",
    "meter-went-back": "critical",
    "meter-jumped": "critical",
    "meter-stands-still": "critical",
    "state-not-believed": "warning",
    "unit-assumed": "info",
    "unit-contradicted": "warning",
    "witnesses-disagree": "info",
    "printer-restarted": "info",
    "job-without-release": "info",
    "tickets-incomplete": "warning",
    "steady-bias": "warning",
    "diagnosis": "info",
    "unknown-badge": "info",
    "badge-owner-differs": "warning",
    "badge-elsewhere": "warning",
    "badge-in-two-places": "warning",
    "reader-noisy": "critical",
    "reader-form-changed": "critical",
    "reader-flooded": "warning",
    "feed-silent": "critical",
    "facts-lost": "critical",
    "fact-damaged": "critical",
    "clock-stepped": "warning",
    "clock-not-agreed": "warning",
    "receiver-retired": "warning",
    "gateway-down": "critical",
    "site-behind": "warning",
}

EVIDENCE_MAX = 20
NOTED_WORK: Final = frozenset({MAINTENANCE, TEST_PAGES})

STEP_KINDS: Final[dict[Step, Kind]] = {
    Step.REPLACED: "meter-replaced",
    Step.UNIT_CHANGED: "unit-changed",
    Step.OBJECT_CHANGED: "object-changed",
    Step.FELL_BACK: "meter-went-back",
    Step.RESET: "meter-went-back",
    Step.WENT_BACK: "meter-went-back",
    Step.JUMPED: "meter-jumped",
}


def silence_kind(reason: SilenceReason) -> Kind:
    """Which finding a failed read belongs to: silence has kinds, and the operator sees which."""
    if reason in {SilenceReason.WRONG_RESPONDER, SilenceReason.WRONG_DEVICE}:
        return "wrong-responder"
    if reason in {SilenceReason.UNIT_NOT_USABLE, SilenceReason.NO_METER}:
        return "unit-not-usable"
    return "meter-silent"


def make(
    kind: Kind,
    printer: str,
    anchor: Sequence[object],
    since_us: int,
    what: Evidence,
    evidence: Sequence[Evidence],
    until_us: int | None = None,
    *,
    pages: int | None = None,
    releases: Iterable[ReleaseKey] = (),
) -> Finding:
    """A finding whose id depends on its kind, its printer and the facts it hangs on, and on nothing else.

    ``until_us`` is when a condition was over; a finding about something done stays open until a person speaks.
    ``pages`` is what it is about, in the meter's steps: too many, or below 0 too few. It is about all releases that
    ``evidence`` names, also where that is cut, and about ``releases``.
    """
    kept = tuple(evidence[:EVIDENCE_MAX])
    if len(evidence) > EVIDENCE_MAX:
        kept += (shown.more(len(evidence) - EVIDENCE_MAX),)
    return Finding(
        id=finding_id(kind, printer, anchor),
        kind=kind,
        severity=SEVERITY[kind],
        printer=printer,
        since_us=since_us,
        until_us=until_us,
        state="open" if until_us is None else "closed",
        what=what,
        evidence=kept,
        releases=tuple(sorted({*releases, *_named(evidence)})),
        pages=pages,
    )


def _named(evidence: Iterable[Evidence]) -> Iterator[ReleaseKey]:
    return (one.release for one in evidence if one.release is not None)


def with_evidence(finding: Finding, added: Sequence[Evidence]) -> Finding:
    """The finding with more that shows it, and about the releases that this names."""
    releases = tuple(sorted({*finding.releases, *_named(added)}))
    return replace(finding, evidence=(*finding.evidence, *added), releases=releases)


def finding_id(kind: Kind, printer: str, anchor: Sequence[object]) -> str:
    digest = hashlib.sha256("\n".join([kind, printer, *map(str, anchor)]).encode()).hexdigest()
    return f"f-{digest[:12]}"


STATES: Final[dict[Action, FindingState]] = {"explain": "explained", "close": "closed", "book": "closed"}
"""``reopen`` gives it back the state that it would have if nobody had spoken."""


def decided(finding: Finding, decisions: Sequence[Decided]) -> Finding:
    """The finding as people left it: the last decision about it counts, the others stay in the evidence."""
    own = finding
    for decision in decisions:
        if decision.finding == finding.id:
            evidence = (*finding.evidence, shown.decided(decision))
            if decision.action == "reopen":
                finding = replace(own, evidence=evidence)
                continue
            finding = replace(
                finding,
                until_us=decision.origin.at_us if finding.until_us is None else finding.until_us,
                state=STATES[decision.action],
                reason=decision.reason or finding.reason,
                evidence=evidence,
            )
    return finding


def reopening_problem(finding: Finding) -> str:
    """Why what people said of it can't be taken back; "" where it can."""
    said = [one.value("action") for one in finding.evidence if one.kind is EvidenceKind.DECIDED]
    if "book" in said:
        return "can't be taken back: its releases were booked at another printer, and stay there"
    if not said or said[-1] == "reopen":
        return "takes nothing back: nobody has said anything of it that counts"
    return ""


def of_stretch(stretch: Stretch, windows: Sequence[Window], stray: int | None = None) -> Finding | None:
    """Surplus, shortfall or unproven of a bracket; stray pages of a gap (``stray`` of them, or all it counted)."""
    if not stretch.releases:
        return _stray(stretch, stray)
    if stretch.verdict is Verdict.AGREES or stretch.verdict is None:
        return None
    kinds: dict[Verdict, Kind] = {Verdict.SURPLUS: "surplus", Verdict.SHORTFALL: "shortfall"}
    kind = kinds.get(stretch.verdict, "unproven-release")
    expected = stretch.expected
    hints = [reason for reason in stretch.reasons if reason.startswith(HINT_PREFIX)]
    what = shown.count_differs(stretch, expected, hints)
    if stretch.verdict is Verdict.UNPROVEN:
        what = shown.no_count(len(stretch.releases), stretch.grade, hints)
    evidence = [shown.cuts(stretch), *map(shown.release, stretch.releases), *map(shown.reason, stretch.reasons)]
    releases = [window.release for window in windows]
    since_us = min(release.start_us for release in releases)
    anchor = bracket_anchor(stretch.channel, releases)
    pages = None if kind == "unproven-release" or expected is None else beyond(stretch.counted, expected)
    return make(kind, stretch.printer, anchor, since_us, what, evidence, pages=pages)


def bracket_anchor(channel: str, releases: Sequence[Release]) -> tuple[str, str, str]:
    """What a bracket's finding hangs on: the notice of its first release."""
    first = min(releases, key=lambda one: one.order).started.origin
    return (channel, first.source, first.id)


def beyond(counted: int, expected: Interval) -> int:
    """By how many pages a count lies outside an interval; below it is negative."""
    if counted < expected.least:
        return counted - expected.least
    return 0 if expected.most is None else max(0, counted - expected.most)


def _stray(stretch: Stretch, stray: int | None) -> Finding | None:
    pages = stretch.counted if stray is None else stray
    if pages == 0 or not NOTED_WORK.isdisjoint(stretch.reasons):
        return None
    what = shown.gap_counted(pages, stretch.unit, after_power_off=START_UP in stretch.reasons)
    anchor = gap_anchor(stretch)
    return make("stray-pages", stretch.printer, anchor, stretch.opens_us, what, [shown.cuts(stretch)], pages=pages)


def gap_anchor(stretch: Stretch) -> tuple[object, ...]:
    return (stretch.channel, stretch.run, stretch.before, stretch.closes_us)


def of_break(printer: str, before: Run, after: Run) -> Finding | None:
    """A run ended: the two readings between which nothing can be subtracted."""
    if after.began is None or after.began is Step.DAMAGED:
        # What was damaged is a finding of its own.
        return None
    left, right = before.samples[-1].plateau, after.samples[0].plateau
    lost = fallen_back(left, right) if after.began is Step.FELL_BACK else None
    what = shown.run_ended(after.began, left, right, lost, (), _part(left, right, deciding_of(before.last_counts)))
    anchor = (after.number, right.first_received_us)
    kind = STEP_KINDS[after.began]
    return make(kind, printer, anchor, right.first_received_us, what, shown.readings(left, right))


def of_channel_breaks(printer: str, breaks: Sequence[ChannelBreak]) -> Finding:
    """Channels whose own runs ended between the same two readings, in the same way; the others went on."""
    first = breaks[0]
    left, right, channels = first.before, first.after, sorted(one.channel for one in breaks)
    lost = fallen_back(left, right, channels) if first.step is Step.FELL_BACK else None
    what = shown.run_ended(first.step, left, right, lost, channels, _part(left, right, channels))
    anchor = (channels[0], min(one.number for one in breaks), right.first_received_us)
    kind = STEP_KINDS[first.step]
    return make(kind, printer, anchor, right.first_received_us, what, shown.readings(left, right))


def _part(left: Plateau, right: Plateau, channels: Sequence[str] | None) -> tuple[Count, Count] | None:
    """The counter that fell alone, of those that one of the channels adds up."""
    pace = pace_between(left, right, Policy())
    names = left.sight.channels if channels is None else channels
    found = (broken_part(left.sight, right.sight, name, pace, Policy()) for name in names)
    return next((one for one in found if one is not None), None)


def fallen_back(left: Plateau, right: Plateau, channels: Sequence[str] = ()) -> int:
    """So many of the pages before a fall to an earlier saved count may be counted twice: by the channels that are
    named, or by all.
    """
    known = [(name, count) for name, count in left.sight.counts if not channels or name in channels]
    falls = [count.value - after.value for name, count in known if (after := right.sight.count(name))]
    return max(falls, default=0)


def of_silence(printer: str, silences: Sequence[Silence], until_us: int | None, waiting: int) -> Finding:
    """A run of failed reads with one kind of reason, while ``waiting`` releases needed a reading."""
    first, last = silences[0], silences[-1]
    kind = silence_kind(first.reason)
    if until_us is None:
        what = shown.reads_fail(silences, waiting)
        evidence = [*map(shown.silence, silences[:-1]), shown.silence(last, growing=True)]
    else:
        what = shown.reads_failed(silences, waiting)
        evidence = [*map(shown.silence, silences)]
    return make(kind, printer, (first.first_sent_us,), first.first_sent_us, what, evidence, until_us)


def of_damage(damaged: FactDamaged) -> Finding:
    what = shown.fact_damaged(damaged)
    return make("fact-damaged", damaged.printer, (damaged.number,), damaged.at_us, what, ())
