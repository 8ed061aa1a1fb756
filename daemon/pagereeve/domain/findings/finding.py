"""Things a person should look at, with the facts that prove them (DESIGN.md section 4)."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from typing import Final, Literal

from pagereeve.domain.brackets.continuity import Step
from pagereeve.domain.brackets.expectation import START_UP
from pagereeve.domain.brackets.hints import PREFIX, hint_text
from pagereeve.domain.brackets.runs import Run
from pagereeve.domain.brackets.windows import Release, Window
from pagereeve.domain.facts.facts import Action, Conflict, Decided
from pagereeve.domain.facts.reading import Plateau, Silence, SilenceReason
from pagereeve.domain.ledger import Finding, FindingState, Interval, ReleaseKey, Severity, Stretch, Verdict
from pagereeve.domain.values.instants import to_text

Kind = Literal[
    "surplus",
    "shortfall",
    "stray-pages",
    "unproven-release",
    "release-without-badge",
    "repeated-release",
    "release-never-ended",
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
    "printer-restarted",
    "steady-bias",
    "diagnosis",
    "unknown-badge",
    "badge-owner-differs",
    "badge-elsewhere",
    "badge-in-two-places",
    "reader-noisy",
    "reader-form-changed",
    "feed-silent",
]

SEVERITY: Final[dict[Kind, Severity]] = {
    "surplus": "warning",
    "shortfall": "warning",
    "stray-pages": "warning",
    "unproven-release": "warning",
    "release-without-badge": "info",
    "repeated-release": "info",
    "release-never-ended": "info",
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
    "printer-restarted": "info",
    "steady-bias": "warning",
    "diagnosis": "info",
    "unknown-badge": "info",
    "badge-owner-differs": "warning",
    "badge-elsewhere": "warning",
    "badge-in-two-places": "warning",
    "reader-noisy": "critical",
    "reader-form-changed": "critical",
    "feed-silent": "critical",
}

EVIDENCE_MAX = 20

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
    text: str,
    evidence: Sequence[str],
    until_us: int | None = None,
    *,
    pages: int | None = None,
) -> Finding:
    """A finding whose id depends on its kind, its printer and the facts it hangs on, and on nothing else.

    ``until_us`` is when a condition was over; a finding about something done stays open until a person speaks.
    ``pages`` is what it is about, in the meter's steps: too many, or below 0 too few.
    """
    kept = tuple(evidence[:EVIDENCE_MAX])
    if len(evidence) > EVIDENCE_MAX:
        kept += (f"... and {len(evidence) - EVIDENCE_MAX} more",)
    state: FindingState = "open" if until_us is None else "closed"
    identity = finding_id(kind, printer, anchor)
    return Finding(identity, kind, SEVERITY[kind], printer, since_us, until_us, state, text, kept, pages)


def finding_id(kind: Kind, printer: str, anchor: Sequence[object]) -> str:
    digest = hashlib.sha256("\n".join([kind, printer, *map(str, anchor)]).encode()).hexdigest()
    return f"f-{digest[:12]}"


STATES: Final[dict[Action, FindingState]] = {"explain": "explained", "close": "closed"}


def decided(finding: Finding, decisions: Sequence[Decided]) -> Finding:
    """The finding as people left it: the last decision about it counts, the others stay in the evidence."""
    for decision in decisions:
        if decision.finding == finding.id:
            at_us = decision.origin.at_us
            said = [f"decided {to_text(at_us)} by {decision.by}: {decision.action}", decision.reason, decision.text]
            finding = replace(
                finding,
                until_us=at_us if finding.until_us is None else finding.until_us,
                state=STATES[decision.action],
                reason=decision.reason or finding.reason,
                evidence=(*finding.evidence, ", ".join(part for part in said if part)),
            )
    return finding


def release_line(key: ReleaseKey) -> str:
    """How evidence names a release; the console and the queries find it by this line."""
    return f"release {key.release} of {key.source}"


def of_stretch(stretch: Stretch, windows: Sequence[Window], stray: int | None = None) -> Finding | None:
    """Surplus, shortfall or unproven of a bracket; stray pages of a gap (``stray`` of them, or all it counted)."""
    if not stretch.releases:
        return _stray(stretch, stray)
    if stretch.verdict is Verdict.AGREES or stretch.verdict is None:
        return None
    kinds: dict[Verdict, Kind] = {Verdict.SURPLUS: "surplus", Verdict.SHORTFALL: "shortfall"}
    kind = kinds.get(stretch.verdict, "unproven-release")
    expected = stretch.expected
    interval = "?" if expected is None else span(expected.least, expected.most)
    whose = "the release" if len(stretch.releases) == 1 else f"{len(stretch.releases)} releases together"
    text = f"{stretch.counted} {stretch.unit} counted, {interval} expected for {whose}"
    if stretch.verdict is Verdict.UNPROVEN:
        text = f"no count proves what {whose} printed ({stretch.grade})"
    hinted = [hint_text(reason) for reason in stretch.reasons if reason.startswith(PREFIX)]
    if hinted:
        text += f"; perhaps {', or '.join(hinted)}"
    evidence = [_cuts_line(stretch), *(release_line(key) for key in stretch.releases)]
    evidence += [f"reason: {reason}" for reason in stretch.reasons]
    releases = [window.release for window in windows]
    since_us = min(release.start_us for release in releases)
    anchor = bracket_anchor(stretch.channel, releases)
    pages = None if kind == "unproven-release" or expected is None else beyond(stretch.counted, expected)
    return make(kind, stretch.printer, anchor, since_us, text, evidence, pages=pages)


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
    if pages == 0 or "maintenance" in stretch.reasons:
        return None
    text = f"{pages} {stretch.unit} counted that nobody released"
    if START_UP in stretch.reasons:
        text += "; the printer was off meanwhile, and may have made a start-up page"
    anchor = gap_anchor(stretch)
    return make("stray-pages", stretch.printer, anchor, stretch.opens_us, text, [_cuts_line(stretch)], pages=pages)


def gap_anchor(stretch: Stretch) -> tuple[object, ...]:
    return (stretch.channel, stretch.run, stretch.before, stretch.closes_us)


def span(least: int, most: int | None) -> str:
    if most is None:
        return f"at least {least}"
    return str(least) if least == most else f"{least} to {most}"


def _cuts_line(stretch: Stretch) -> str:
    return (
        f"{stretch.channel} {stretch.before} at {to_text(stretch.opens_us)}, "
        f"{stretch.after} at {to_text(stretch.closes_us)}, run {stretch.run}"
    )


def of_break(printer: str, before: Run, after: Run) -> Finding | None:
    """A run ended: the two readings between which nothing can be subtracted."""
    if after.began is None:
        return None
    left, right = before.samples[-1].plateau, after.samples[0].plateau
    names = {
        Step.REPLACED: "another device answers",
        Step.UNIT_CHANGED: "the meter's unit changed",
        Step.OBJECT_CHANGED: "another of the printer's counters gives the count",
        Step.FELL_BACK: "the count fell back to an earlier saved value after a restart",
        Step.RESET: "the count started anew after a restart",
        Step.WENT_BACK: "the count is lower than before, without a restart",
        Step.JUMPED: "the count rose faster than the printer can print",
    }
    text = f"{names[after.began]}: {plateau_line(left)} then {plateau_line(right)}; what lies between can't be proven"
    if after.began is Step.FELL_BACK:
        text += f"; at most {_lost(left, right)} of the pages before the restart may be counted twice"
    anchor = (after.number, right.first_received_us)
    kind = STEP_KINDS[after.began]
    return make(kind, printer, anchor, right.first_received_us, text, pair_lines(left, right))


def _lost(left: Plateau, right: Plateau) -> int:
    falls = [count.value - after.value for name, count in left.sight.counts if (after := right.sight.count(name))]
    return max(falls, default=0)


def plateau_line(plateau: Plateau) -> str:
    return ", ".join(f"{name} {count.value}" for name, count in plateau.sight.counts)


def sight_line(plateau: Plateau, at_us: int) -> str:
    """A reading in one line, for evidence. It names one instant: a plateau may still grow, evidence may not."""
    sight = plateau.sight
    parts = [plateau_line(plateau), f"serial {sight.serial or '?'}", f"object id {sight.object_id or '?'}"]
    parts += [f"state {sight.state}", *(f"error {name}" for name in sight.errors)]
    parts += [f"answered by {sight.responder}"] if sight.responder else []
    return f"{'; '.join(parts)}; at {to_text(at_us)}"


def pair_lines(before: Plateau, after: Plateau) -> list[str]:
    """The last reading before and the first one after."""
    return [
        f"before: {sight_line(before, before.last_received_us)}",
        f"after: {sight_line(after, after.first_received_us)}",
    ]


def of_silence(printer: str, silences: Sequence[Silence], until_us: int | None, waiting: int) -> Finding:
    """A run of failed reads with one kind of reason, while ``waiting`` releases needed a reading."""
    first, last = silences[0], silences[-1]
    kind = silence_kind(first.reason)
    reasons = ", ".join(dict.fromkeys(one.reason.value for one in silences))
    if until_us is None:
        # The last silence may still grow, and evidence may not: it is told by its beginning.
        text = f"reads fail ({reasons}) since {to_text(first.first_sent_us)}"
        evidence = [*(_silence_line(one) for one in silences[:-1]), _silence_line(last, growing=True)]
    else:
        tries = sum(silence.count for silence in silences)
        text = (
            f"{tries} reads failed ({reasons}) from {to_text(first.first_sent_us)} to {to_text(last.last_received_us)}"
        )
        evidence = [_silence_line(one) for one in silences]
    if waiting:
        text += f", while {waiting} release{'s' if waiting > 1 else ''} needed a reading"
    return make(kind, printer, (first.first_sent_us,), first.first_sent_us, text, evidence, until_us)


def _silence_line(silence: Silence, *, growing: bool = False) -> str:
    line = f"{silence.reason} from {to_text(silence.first_sent_us)}"
    if not growing:
        line = f"{silence.count} x {line} to {to_text(silence.last_received_us)}"
    if silence.responder:
        line += f", answered by {silence.responder}"
    return f"{line}: {silence.detail}" if silence.detail else line


def of_conflict(conflict: Conflict) -> Finding:
    origin = conflict.origin
    text = f"event {origin.id} of {origin.source} came again with other data; the first one counts"
    anchor = (origin.source, origin.id, conflict.digest)
    evidence = [f"type {conflict.kind}", f"SHA-256 of the data set aside: {conflict.digest}"]
    return make("conflicting-duplicate", conflict.printer, anchor, origin.received_us, text, evidence)
