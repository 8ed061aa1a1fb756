"""The whole chain of evidence for a release, in order, for somebody who keeps accounts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, Final, get_args
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.periods import local
from pagereeve.domain.brackets.allocation import SHARES
from pagereeve.domain.brackets.expectation import CLAIMED_CHANNELS
from pagereeve.domain.brackets.hypotheses import HINT_PREFIX
from pagereeve.domain.brackets.job_shares import BEYOND_ITS_JOB, GIVEN_UP
from pagereeve.domain.brackets.jobs import Link
from pagereeve.domain.brackets.prints import PRINTS_ALONE, WHOLE
from pagereeve.domain.charging.postings import COPIES_NOT_APART, PROVABLE_MINIMUM, UNIT_BELOW_NEED
from pagereeve.domain.facts.reading import Unit, UnitGrade
from pagereeve.domain.findings.surplus import booked_of
from pagereeve.domain.ledger import Charge, Finding, Grade, Posting, Stretch, is_meter
from pagereeve.domain.projection.projection import UNKNOWN_PRINTER
from pagereeve.domain.values.amounts import Figure
from pagereeve.domain.values.instants import to_text
from pagereeve.domain.values.visible import visible
from pagereeve.queries.explain import Explained
from pagereeve.queries.late_notices import FACTS_MAX, NOTHING_LATE, KnownWhen
from pagereeve.queries.own_view import OTHER_PEOPLE
from pagereeve.queries.release_evidence import Evidence, is_about
from pagereeve.reports.findings import finding_lines
from pagereeve.reports.late_notices import known_json, known_text
from pagereeve.reports.page_decisions import decided_lines, ruling_json
from pagereeve.reports.release_answer import CAUTION, answer_lines, charging_text
from pagereeve.reports.rows_json import charge_json, finding_json, posting_json, stretch_json
from pagereeve.reports.sentences import (
    CLOSINGS,
    GRADES,
    VERDICTS,
    closing_text,
    interval_text,
    reason_text,
    span_text,
    ticket_text,
)
from pagereeve.reports.timeline import folded, timeline
from pagereeve.reports.units import unit_text
from pagereeve.reports.writing import Writing

UTC: Final = ZoneInfo("UTC")
OTHERS_SHOWN_MAX = 20
NAMES_LEFT_OUT: Final = "Other people are not named, nor is anybody's free text shown; --names shows both."
# Reasons of the evidence, and of the verdict; those that say how the window closed have a sentence of their own.
NOTED = ("read-from-panel", "stalled", "no-end-notice", "run-ended", "no-reading-before")
OF_VERDICT = (
    *("about-the-bracket", *sorted(SHARES), *get_args(Link), *GIVEN_UP.values(), BEYOND_ITS_JOB, "within-tolerance"),
    *(PROVABLE_MINIMUM, COPIES_NOT_APART, UNIT_BELOW_NEED),
)


def explain_text(known: Explained, zone: ZoneInfo) -> str:
    """Plain text; control characters from outside are written out."""
    evidence = known.evidence
    lines = [
        *_heading(known, zone),
        *_answer(evidence),
        *_decided(evidence, zone),
        *_released(evidence),
        *_order(evidence, zone),
        *_late(known.known, zone),
    ]
    writing = Writing.of_commands(zone)
    lines += [line for charge in channels_in_order(evidence) for line in _channel(evidence, charge, writing)]
    lines += _findings(evidence, zone)
    return "\n".join(visible(line) for line in lines).rstrip() + "\n"


def explain_json(known: Explained, zone: ZoneInfo = UTC) -> dict[str, Any]:
    """The same as data: rows as ``project --json`` has them, the timeline, and the sentences of each channel.

    Times that are data are in UTC, those in sentences in the zone.
    """
    evidence, when = known.evidence, known.known
    return {
        "source": evidence.key.source,
        "release": evidence.key.release,
        "printer": evidence.printer,
        "ticket": [ticket_text(started.ticket) for started in evidence.starts],
        "timeline": [{"at": to_text(one.at_us), "what": one.what} for one in timeline(evidence)],
        "names_left_out": known.names_left_out,
        "known": [known_json(one) for one in when.late],
        "known_left_out": when.left_out,
        "known_gone_through": when.gone_through,
        "channels": [
            {"channel": charge.channel, "sentences": _sentences(evidence, charge, Writing.of_commands(zone))}
            for charge in channels_in_order(evidence)
        ],
        "charges": [charge_json(charge) for charge in evidence.charges],
        "stretches": [stretch_json(stretch) for stretch in evidence.stretches],
        "shared_with": [charge_json(charge) for charge in evidence.others],
        "shared_with_left_out": evidence.others_left_out,
        "decisions": [ruling_json(one) for one in evidence.decided],
        "postings": [posting_json(posting) for posting in evidence.postings],
        "findings": [finding_json(finding) for finding in evidence.findings],
    }


def channels_in_order(evidence: Evidence) -> list[Charge]:
    """Billed channels first."""
    return sorted(evidence.charges, key=lambda one: (one.channel not in CLAIMED_CHANNELS, one.channel, one.started_us))


def _heading(known: Explained, zone: ZoneInfo) -> Iterator[str]:
    evidence, charge = known.evidence, known.evidence.charges[0]
    yield f"Release {evidence.key.release} of {evidence.key.source}"
    yield f"Job {charge.job} of {charge.owner}, on printer {evidence.printer}, started {_at(charge.started_us, zone)}"
    yield f"Times are of {zone.key}."
    if known.names_left_out:
        yield NAMES_LEFT_OUT


def _answer(evidence: Evidence) -> Iterator[str]:
    yield from ("", "THE ANSWER")
    yield from (f"  {line}" for line in answer_lines(evidence))


def _decided(evidence: Evidence, zone: ZoneInfo) -> Iterator[str]:
    """Charges further down are as counts and policy give them; what a person changed stands here."""
    if evidence.decided:
        yield from ("", "WHAT WAS DECIDED")
        yield from (f"  {line}" for line in decided_lines(evidence.decided, zone))


def _released(evidence: Evidence) -> Iterator[str]:
    yield from ("", "WHAT WAS RELEASED")
    for started in evidence.starts:
        yield f"  {ticket_text(started.ticket)}"
    if not evidence.starts:
        yield "  its start notice is not in the journal"


def _order(evidence: Evidence, zone: ZoneInfo) -> Iterator[str]:
    yield from ("", "WHAT HAPPENED, IN ORDER")
    for one in folded(timeline(evidence)):
        yield f"  {_at(one.at_us, zone)}  {one.what}"


def _late(known: KnownWhen, zone: ZoneInfo) -> Iterator[str]:
    if known == NOTHING_LATE:
        return
    yield from ("", "WHAT WAS KNOWN WHEN")
    for one in known.late:
        yield f"  {_at(one.at_us, zone)}  {known_text(one)}"
    if known.left_out:
        yield f"  Left out: {known.left_out} more that came late, after these."
    if not known.gone_through:
        yield f"  Left out: more than {FACTS_MAX} facts came since the printer's rest before it, and are not gone"
        yield "  through again. How late each notice came stands above, at the notice."


def _at(at_us: int, zone: ZoneInfo) -> str:
    return local(at_us, zone).isoformat(sep=" ", timespec="milliseconds")


CHANNELS: Final = {
    WHOLE: ", all that the meter counts, copies too: not billed, as prints are",
    PRINTS_ALONE: "; the meter counts prints alone, and nobody knows of copies",
}


def channel_heading(charge: Charge) -> str:
    """The channel, its unit, and what it is to a bill."""
    part = "" if charge.channel in CLAIMED_CHANNELS else ", a part of the total: not billed"
    part = CHANNELS.get(charge.channel, part)
    unit = "unit unknown" if charge.unit in {None, Unit.UNKNOWN} else f"in {charge.unit}"
    return f"{charge.channel} ({unit}{part})"


def channel_lines(evidence: Evidence, charge: Charge, writing: Writing) -> Iterator[str]:
    """Its cuts, how it was judged and why, and what was posted. What belongs to the line before is indented."""
    for stretch in _of_channel(evidence, charge.channel):
        yield from _cut_lines(evidence, stretch, writing)
    yield from _sentences(evidence, charge, writing)
    for posting in evidence.postings:
        if posting.channel == charge.channel:
            # Where its owner is not named either, nobody is other than others.
            unnamed = "other people" if charge.owner else "people"
            yield f"Posting: {posting_text(posting, unnamed, writing.figure)}."


def _channel(evidence: Evidence, charge: Charge, writing: Writing) -> Iterator[str]:
    yield from ("", f"CHANNEL {channel_heading(charge)}")
    yield from (f"  {line}" for line in channel_lines(evidence, charge, writing))


def _unit(evidence: Evidence, charge: Charge) -> list[str]:
    """How it was known is said where it was not proven."""
    grade = evidence.grades.get(charge.channel, UnitGrade.PROVEN)
    return [] if charge.unit is None or grade is UnitGrade.PROVEN else [f"Unit: {unit_text(charge.unit, grade)}."]


def _of_channel(evidence: Evidence, channel: str) -> list[Stretch]:
    return [one for one in evidence.stretches if one.channel == channel]


def _cut_lines(evidence: Evidence, stretch: Stretch, writing: Writing) -> Iterator[str]:
    started_us = evidence.started_us
    early_us, late_us = started_us - stretch.opens_us, stretch.closes_us - started_us
    side = "before" if early_us >= 0 else "after"
    before, after, counted = map(writing.pages, (stretch.before, stretch.after, stretch.counted))
    if stretch.grade in {Grade.BROKEN, Grade.BLIND}:
        opens, closes = f"{before} at {writing.at(stretch.opens_us)}", f"{after} at {writing.at(stretch.closes_us)}"
        yield f"Meter run {stretch.run}: {opens}, {closes}: {counted} surely counted"
        return
    yield f"Before: {before}, unchanged until {writing.at(stretch.opens_us)}, {span_text(early_us)} {side} the start"
    closes = f"from {writing.at(stretch.closes_us)} on, {span_text(late_us)} after the start"
    yield f"After:  {after}, {closes}"
    yield f"Counted: {after} - {before} = {counted}{_wrapped(stretch)}"


def _wrapped(stretch: Stretch) -> str:
    if stretch.before is None or stretch.after is None or stretch.after - stretch.before == stretch.counted:
        return ""
    return ", as the counter started again from 0 at its end"


def _sentences(evidence: Evidence, charge: Charge, writing: Writing) -> list[str]:
    """How the window closed, the grade, what was expected and why, whose pages they are, the verdict, the charge."""
    sentences = [closing_text(charge.reasons, evidence.settle_us)]
    if UNKNOWN_PRINTER not in charge.reasons:
        sentences.append(settle_text(evidence, writing))
    sentences += _unit(evidence, charge)
    if charge.grade is not None:
        sentences.append(f"Evidence: {charge.grade.value}; {GRADES[charge.grade]}.")
    sentences += [f"  Note: {reason_text(reason)}." for reason in charge.reasons if reason in NOTED]
    sentences.append(f"Expected: {interval_text(charge.expected, writing.figure)}.")
    sentences += [f"  Because {reason_text(reason)}." for reason in charge.reasons if _is_of_expectation(reason)]
    sentences += _sharing(evidence, charge, writing)
    if charge.verdict is None:
        sentences.append("Verdict: none yet.")
    else:
        sentences.append(f"Verdict: {charge.verdict.value}; {VERDICTS[charge.verdict]}.")
        sentences += [f"  Note: {reason_text(reason)}." for reason in charge.reasons if reason in OF_VERDICT]
        sentences += [
            f"  Perhaps {reason_text(reason)}." for reason in charge.reasons if reason.startswith(HINT_PREFIX)
        ]
    figures = (charge.released, charge.counted, charge.charged, charge.unproven)
    released, counted, charged, unproven = map(writing.pages, figures)
    sentences.append(
        f"Released {released}, counted {counted}, charged {charged}, unsupported {unproven}: "
        f"{charging_text(evidence, charge)}."
    )
    return sentences


def settle_text(evidence: Evidence, writing: Writing) -> str:
    """Which settle time was in force, and whence."""
    span = span_text(evidence.settle_us)
    if evidence.settle_learned_us is None:
        return f"Settle time: {span}, as the policy sets it."
    learned, policy = writing.second(evidence.settle_learned_us), span_text(evidence.policy.settle_us)
    return f"Settle time: {span}, learnt {learned} from the printer's own pauses ({policy} is set)."


def _is_of_expectation(reason: str) -> bool:
    return reason not in {*NOTED, *OF_VERDICT, *CLOSINGS} and not reason.startswith(HINT_PREFIX)


def _sharing(evidence: Evidence, charge: Charge, writing: Writing) -> list[str]:
    shared = [one for one in _of_channel(evidence, charge.channel) if len(one.releases) > 1]
    if not shared:
        return []
    others = [one for one in evidence.others if one.channel == charge.channel]
    named = [
        f"{one.release.release}{f' of {one.owner}' if one.owner else ''} ({writing.pages(one.counted)})"
        for one in others[:OTHERS_SHOWN_MAX]
    ]
    # Those that nobody looked up are left out too.
    more = max(len(one.releases) for one in shared) - 1 - len(named)
    tail = f" and {more} more" if more > 0 else ""
    share = (
        "no share is proven" if charge.counted is None else f"this release's share is {writing.figure(charge.counted)}"
    )
    counted = sum(one.counted for one in shared)
    expected = interval_text(shared[0].expected, writing.figure)
    whole = f"{writing.figure(counted)} counted for all, {expected} expected for all; {share}"
    return [f"Shared with {', '.join(named)}{tail}: {whole}."]


def posting_text(posting: Posting, unnamed: str = "other people", figure: Figure = str) -> str:
    """Who gives and who receives; ``unnamed`` are people who are not named."""
    given = [f"{account} gives {figure(-pages)}" for account, pages in posting.legs if is_meter(account)]
    received = [
        received_text(account, figure(pages), unnamed) for account, pages in posting.legs if not is_meter(account)
    ]
    return "; ".join([*given, *received]) or "nothing was counted and nothing is charged"


def received_text(account: str, pages: str, unnamed: str = "other people") -> str:
    return f"{unnamed} receive {pages}" if account == OTHER_PEOPLE else f"{account} receives {pages}"


def _findings(evidence: Evidence, zone: ZoneInfo) -> Iterator[str]:
    """What is said of several releases, or may be this one's, stands apart: it is not about this release alone."""
    alone = [one for one in evidence.findings if is_about(one, evidence.key)]
    together = [one for one in evidence.findings if one not in alone]
    yield from ("", "FINDINGS")
    for finding in alone:
        yield from _finding(evidence, finding, zone)
    if not alone:
        yield "  none about this release" if together else "  none"
    if together:
        yield from ("", "FINDINGS NOT ABOUT THIS RELEASE ALONE")
    for finding in together:
        yield from _finding(evidence, finding, zone)
    if evidence.findings:
        yield f"  {CAUTION}"


def _finding(evidence: Evidence, finding: Finding, zone: ZoneInfo) -> Iterator[str]:
    booked = booked_of([finding], evidence.postings)
    lines = finding_lines(finding, zone, booked.get(finding.id))
    yield from (f"  {line}".rstrip() for line in lines)


def explain_all(known: Sequence[Explained], zone: ZoneInfo) -> str:
    return ("\n" + "=" * 72 + "\n\n").join(explain_text(one, zone) for one in known)
