"""What happened around a release, in order of time, each happening as one sentence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import Final, Literal

from pagereeve.domain.badges.swipes import swipes_of
from pagereeve.domain.brackets.continuity import Step
from pagereeve.domain.brackets.runs import Run, Runs, Sample, split
from pagereeve.domain.facts.facts import (
    AnswerReading,
    AnswerRest,
    Origin,
    ReleaseAnswered,
    ReleaseEnded,
    ReleaseStarted,
)
from pagereeve.domain.facts.jobs import JobCounted
from pagereeve.domain.facts.reading import Plateau, Silence
from pagereeve.domain.findings.finding import fallen_back
from pagereeve.domain.findings.wording import SILENCES
from pagereeve.domain.values.amounts import Figure, amount
from pagereeve.queries.noted_readings import Seen
from pagereeve.queries.release_evidence import Evidence
from pagereeve.reports.noted_readings import meter_text
from pagereeve.reports.sentences import span_text
from pagereeve.reports.witnesses import apart_text

CORRECTIONS = {
    "corrected": "its source's clock was off and is corrected",
    "behind": "its source's clock is far behind and is corrected",
    "implausible-past": "its source's time lies too far back and is not used",
    "future": "its source's time lies in the future and is not used",
    "missing": "its source gave no time; the time of arrival is used",
}

READINGS: dict[AnswerReading, str] = {
    "in-hand": "the meter was read",
    "failed": "the meter did not answer",
    "not-waited": "no reading came in time",
}
RESTS: dict[AnswerRest, str] = {
    "": "",
    "rested": ", and the releases before it had come to rest",
    "not-rested": ", and the releases before it had not come to rest",
}

BREAKS = {
    Step.REPLACED: "another device answered",
    Step.UNIT_CHANGED: "the meter's unit changed",
    Step.OBJECT_CHANGED: "another of the printer's counters gives the count",
    Step.FELL_BACK: "the count fell back to a value saved earlier, after a restart",
    Step.RESET: "the count started again after a restart",
    Step.WENT_BACK: "the count is lower than before",
    Step.JUMPED: "the count rose faster than the printer can print",
    Step.DAMAGED: "a stored fact in between is damaged",
}


ROW_MAX: Final = 4
"""So many readings in a row are shown one by one."""

Row = Literal["", "meter", "others"]


@dataclass(frozen=True, slots=True)
class Happening:
    """Many in a ``row`` of which nothing else is said are told as one: readings (``counts``) and failed reads
    (``failed``), and what other releases did.
    """

    at_us: int
    what: str
    row: Row = ""
    counts: tuple[tuple[str, int], ...] = ()
    failed: int = 0


def timeline(evidence: Evidence, figure: Figure = str) -> list[Happening]:
    """Badges, notices, readings and failed reads; never a badge's number, nor its hash."""
    happenings = (
        _of_badges(evidence)
        + _of_notices(evidence, figure)
        + _of_readings(evidence, figure)
        + _after_it(evidence, figure)
    )
    happenings += [
        Happening(one.first_sent_us, _silence_text(one), "meter", failed=one.count) for one in evidence.silences
    ]
    happenings += [Happening(one.origin.at_us, f"noted: {one.note} {one.text}".rstrip()) for one in evidence.notes]
    happenings += [Happening(one.panel.at_us, _panel_text(one, figure)) for one in evidence.panels]
    happenings += [Happening(one.sent_us, _job_text(one, figure)) for one in evidence.jobs]
    # Python's sort keeps equals in order: badge, notice, reading.
    return sorted(happenings, key=lambda one: one.at_us)


def _panel_text(seen: Seen, figure: Figure) -> str:
    back = ", taken back since" if seen.panel.taken_back is not None else ""
    return f"read from the panel: {figure(seen.panel.figure)} ({seen.panel.channel}){back}; {meter_text(seen.meter)}"


def folded(happenings: Sequence[Happening], figure: Figure = str) -> list[Happening]:
    """What happened in a row, and of which nothing else is said, as one."""
    shown: list[Happening] = []
    for kind, group in groupby(happenings, key=lambda one: one.row):
        row = list(group)
        long = kind and len(row) > ROW_MAX
        shown += [_readings(row, figure) if kind == "meter" else _others(row)] if long else row
    return shown


def _readings(row: Sequence[Happening], figure: Figure) -> Happening:
    read = [one for one in row if one.counts]
    failed = sum(one.failed for one in row)
    lasted = span_text(row[-1].at_us - row[0].at_us)
    if not read:
        return Happening(row[0].at_us, f"{amount(failed, 'read')} of the meter failed within {lasted}")
    first, last = dict(read[0].counts), dict(read[-1].counts)
    moved = ", ".join(f"{name} {figure(value)} to {figure(last.get(name, value))}" for name, value in first.items())
    missed = f"; {amount(failed, 'read')} failed in between" if failed else ""
    return Happening(row[0].at_us, f"meter read {len(read)} times within {lasted}: {moved}{missed}")


def _others(row: Sequence[Happening]) -> Happening:
    lasted = span_text(row[-1].at_us - row[0].at_us)
    return Happening(
        row[0].at_us, f"other releases on the same printer started or ended {len(row)} times within {lasted}"
    )


def _of_badges(evidence: Evidence) -> list[Happening]:
    """The release's own: where other people went is no matter of this release."""
    named = {one.badge for one in evidence.starts if one.badge}
    happenings = []
    for swipe in swipes_of([one for one in evidence.badges if one.badge in named], evidence.swipe_us):
        badge = swipe.first
        outcome = f"; the release server answered {badge.outcome}" if badge.outcome else ""
        lay = span_text(swipe.last_us - badge.origin.at_us)
        times = "once" if swipe.repeats == 1 else f"{swipe.repeats} times"
        again = f", and seen {times} more within {lay}" if swipe.repeats else ""
        # Not the event's id: that of a raw badge line is made with a part of the badge's hash.
        where = f"at gateway {badge.gateway} (from {_received(badge.origin)})"
        what = f"the release's badge was presented {where}{again}{outcome}"
        happenings.append(Happening(badge.origin.at_us, what))
    return happenings


def _of_notices(evidence: Evidence, figure: Figure) -> list[Happening]:
    happenings = [Happening(one.origin.at_us, _start_text(one)) for one in evidence.starts]
    happenings += [Happening(one.origin.at_us, _end_text(one, figure)) for one in evidence.ends]
    happenings += [Happening(one.at_us, _answer_text(one)) for one in evidence.answers]
    seen = set()
    for other in evidence.others:
        if other.release not in seen:
            seen.add(other.release)
            name = f"release {other.release.release} of {other.release.source}"
            happenings.append(Happening(other.started_us, f"{name} started on the same printer", "others"))
            if other.ended_us is not None:
                happenings.append(Happening(other.ended_us, f"{name} ended", "others"))
    if evidence.others_left_out:
        what = f"{amount(evidence.others_left_out, 'more release')} ran on the same printer: left out here"
        happenings.append(Happening(evidence.started_us, what))
    return happenings


def _start_text(started: ReleaseStarted) -> str:
    through = f" through gateway {started.gateway}" if started.gateway else ""
    queue = f", from queue {started.queue}" if started.queue else ""
    was = f", moved: its job was {started.was} before" if started.was else ""
    notice = f"event {started.origin.id} from {_received(started.origin)}"
    return f"the release started{through}{queue}{was} ({notice})"


def _answer_text(answered: ReleaseAnswered) -> str:
    return f"its sender, who waited, was answered: {READINGS[answered.reading]}{RESTS[answered.rest]}"


def _job_text(said: JobCounted, figure: Figure) -> str:
    """A job of the printer's, whoever's it is: which release it is, the charge's reasons say."""
    many = said.counts.impressions
    made = amount(many, "impression", figure=figure) if many else "no count yet"
    return f"the printer says of its job {said.job}: {said.state}, {made} (told by {said.door})"


def _end_text(ended: ReleaseEnded, figure: Figure) -> str:
    sent = "" if ended.pages_sent is None else f", {amount(ended.pages_sent, 'page', figure=figure)} sent"
    notice = f"event {ended.origin.id} from {_received(ended.origin)}"
    return f"its end was reported: {ended.outcome}{sent} ({notice})"


def _received(origin: Origin) -> str:
    """Where the notice came from and how much later, and why its time is not the one it claimed."""
    late_us = origin.received_us - origin.at_us
    delay = f", received {span_text(late_us)} later" if late_us > 0 else ""
    why = f"; {CORRECTIONS[origin.clock]}" if origin.clock else ""
    return f"{origin.source}{delay}{why}"


def _of_readings(evidence: Evidence, figure: Figure) -> list[Happening]:
    happenings = []
    opens_us, closes_us = evidence.from_us, evidence.to_us
    runs = split(evidence.plateaus, lambda _: evidence.policy)
    remarks = _remarks(runs, figure)
    for plateau in evidence.plateaus:
        parts = []
        if plateau.first_received_us <= opens_us:
            parts.append("the reading before")
        if closes_us is not None and plateau.last_received_us >= closes_us:
            parts.append("the reading after")
        role = f" ({', '.join(parts)})" if parts else ""
        shown = role or plateau is evidence.plateaus[-1]
        apart = apart_text(evidence.plateaus[0], plateau) if shown else ""
        what = f"meter read{role}: {reading_text(plateau, figure)}{apart}{remarks.get(plateau, '')}"
        plain = not role and not apart and plateau not in remarks
        counts = tuple((name, count.value) for name, count in plateau.sight.counts) if plain else ()
        happenings.append(Happening(plateau.first_received_us, what, "meter" if counts else "", counts))
    for run in runs.runs:
        happenings += [_restart(sample) for sample in run.samples if sample.restarted]
    return happenings


def _restart(sample: Sample) -> Happening:
    what = "the printer or its agent restarted after the reading before, and the count did not fall"
    return Happening(sample.plateau.first_received_us, what)


def _remarks(runs: Runs, figure: Figure) -> dict[Plateau, str]:
    """What the readings say of one another: where a new meter run began, and what was not believed."""
    remarks = dict.fromkeys(runs.suspects, "; not believed, as no other reading confirmed it")
    if runs.pending is not None:
        remarks[runs.pending] = "; not believed yet, as no other reading confirmed it so far"
    for run in runs.runs:
        if run.began is not None:
            remarks[run.samples[0].plateau] = f"; a new meter run begins, as {BREAKS[run.began]}"
        for sample in run.samples:
            if sample.odd_clock:
                remarks[sample.plateau] = "; the agent's clock was off in this answer alone, and nothing restarted"
            if sample.doubted:
                remarks[sample.plateau] = (
                    f"; {', '.join(sample.doubted)} not believed, as no other reading confirmed it"
                )
        for one in run.breaks:
            remarks[one.after] = f"; a new run of {one.channel} begins, as {BREAKS[one.step]}"
    for plateau, pages in fallen_back_in(runs.runs):
        remarks[plateau] += f"; {twice_text(pages, figure)}"
    return remarks


def fallen_back_in(runs: Sequence[Run]) -> list[tuple[Plateau, int]]:
    """Where the count fell back to an earlier saved one, and by how many pages."""
    return [
        (first, fallen_back(before.samples[-1].plateau, first))
        for before, after in pairwise(runs)
        if after.began is Step.FELL_BACK and (first := after.samples[0].plateau)
    ]


def perhaps_twice(evidence: Evidence) -> int:
    """So many pages at most may be counted twice: the count fell back while the release printed, or right after it."""
    plateaus = [*evidence.plateaus, *([] if evidence.next_plateau is None else [evidence.next_plateau])]
    return sum(pages for _, pages in fallen_back_in(split(plateaus, lambda _: evidence.policy).runs))


def _after_it(evidence: Evidence, figure: Figure) -> list[Happening]:
    """A count that fell back right after the release's last reading: its pages are among those before the restart."""
    if evidence.next_plateau is None:
        return []
    pair = [*evidence.plateaus[-1:], evidence.next_plateau]
    fell = BREAKS[Step.FELL_BACK]
    return [
        Happening(
            right.first_received_us,
            f"meter read after it: {reading_text(right, figure)}; {fell}; {twice_text(pages, figure)}",
        )
        for right, pages in fallen_back_in(split(pair, lambda _: evidence.policy).runs)
    ]


def twice_text(pages: int, figure: Figure = str) -> str:
    return f"at most {figure(pages)} of the pages before the restart may be counted twice"


def reading_text(plateau: Plateau, figure: Figure = str) -> str:
    """The values, the state, and how long the meter showed them."""
    sight = plateau.sight
    values = ", ".join(
        f"{name} {figure(count.value)}{' by IPP' if count.by_ipp else ''}" for name, count in sight.counts
    )
    state = ", ".join([sight.state.value, *sight.errors]) if sight.state != "absent" else ", ".join(sight.errors)
    held = ""
    if plateau.count > 1:
        held = (
            f"; the same in {plateau.count} readings over {span_text(plateau.last_sent_us - plateau.first_received_us)}"
        )
    return f"{values or 'no channel'}{f' ({state})' if state else ''}{held}"


def _silence_text(silence: Silence) -> str:
    times = amount(silence.count, "read")
    lasted = span_text(silence.last_received_us - silence.first_sent_us)
    by = f" by {silence.responder}" if silence.responder else ""
    return f"{times} of the meter failed over {lasted}: {SILENCES[silence.reason]}{by}"
