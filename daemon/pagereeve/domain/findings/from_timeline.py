"""Findings that hang on the timeline itself, not on a stretch: breaks, silences, restarts, notices, clocks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

from pagereeve.domain.brackets.continuity import Step, was_off
from pagereeve.domain.brackets.rests import Moment
from pagereeve.domain.brackets.runs import ChannelBreak, Run
from pagereeve.domain.brackets.timeline import Timeline
from pagereeve.domain.brackets.windows import Release, Window
from pagereeve.domain.facts.in_force import NOTE_REACH_US
from pagereeve.domain.facts.reading import PrinterState, Silence
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import Evidence, Finding, ReleaseKey

# Silences shorter than this many failed reads are a lost datagram, not a silent meter.
SILENCE_TRIES_MIN = 2

Dated = tuple[int | None, Finding]


def noticed(
    timeline: Timeline, runs: Sequence[Run], windows: Sequence[Window], moments: Sequence[Moment]
) -> Iterator[Dated]:
    """Each finding with the instant at which it is settled (None: not yet)."""
    for before, after in pairwise(runs):
        finding = find.of_break(timeline.printer, before, after)
        if finding is not None:
            yield finding.since_us, _explained(timeline, before, after, finding)
    for run in runs:
        yield from _channel_breaks(timeline, run)
    yield from _silences(timeline, moments, windows)
    yield from _restarts(timeline, moments, windows)
    for window in windows:
        yield from _of_release(timeline, window)
    yield from _echoes(timeline)
    # A meter that is read is in some registry, though a file of facts may not say what its policy was.
    if timeline.starts and not timeline.rules.registered and not moments:
        yield None, _unknown(timeline)


def _unknown(timeline: Timeline) -> Finding:
    printer, first = timeline.printer, timeline.starts[0]
    evidence = [shown.release(ReleaseKey(one.origin.source, one.release)) for one in timeline.starts]
    what = shown.not_registered(printer)
    return find.make("unknown-printer", printer, (), first.origin.at_us, what, evidence)


def _explained(timeline: Timeline, before: Run, after: Run, finding: Finding) -> Finding:
    """Somebody noted the replacement, or another counter was chosen: the finding is explained by it."""
    from_us = before.samples[-1].plateau.first_received_us
    if after.began is Step.OBJECT_CHANGED:
        at_us = after.samples[0].plateau.first_received_us
        was, now = timeline.rules.chosen(from_us), timeline.rules.chosen(at_us)
        if was != now:
            evidence = (*finding.evidence, *(shown.counter_chosen(one, at_us) for one in now if one not in was))
            return replace(finding, until_us=at_us, state="closed", evidence=evidence)
    to_us = after.samples[0].plateau.first_received_us + NOTE_REACH_US
    note = timeline.rules.noted_between("meter-replaced", from_us, to_us)
    if note is None:
        return finding
    evidence = (*finding.evidence, shown.noted(note))
    return replace(finding, until_us=note.origin.at_us, state="explained", evidence=evidence)


def _channel_breaks(timeline: Timeline, run: Run) -> Iterator[Dated]:
    together: dict[tuple[int, str], list[ChannelBreak]] = {}
    for one in run.breaks:
        together.setdefault((one.after.first_received_us, one.step), []).append(one)
    for breaks in together.values():
        finding = find.of_channel_breaks(timeline.printer, breaks)
        yield finding.since_us, finding


def _silences(timeline: Timeline, moments: Sequence[Moment], windows: Sequence[Window]) -> Iterator[Dated]:
    """Failed reads between two good ones are one finding, if they were of one kind and somebody needed a reading."""
    goods = [moment.from_us for moment in moments]
    episode: list[Silence] = []
    for silence in [*timeline.silences, None]:
        if episode and (silence is None or _new_episode(episode[-1], silence, goods)):
            yield from _episode(timeline, episode, goods, windows)
            episode = []
        if silence is not None:
            episode.append(silence)


def _new_episode(last: Silence, silence: Silence, goods: Sequence[int]) -> bool:
    if find.silence_kind(last.reason) != find.silence_kind(silence.reason):
        return True
    return any(last.last_received_us <= good <= silence.first_sent_us for good in goods)


def _episode(
    timeline: Timeline, episode: Sequence[Silence], goods: Sequence[int], windows: Sequence[Window]
) -> Iterator[Dated]:
    from_us, to_us = episode[0].first_sent_us, episode[-1].last_received_us
    until_us = next((good for good in goods if good >= to_us), None)
    waiting = sum(
        1
        for window in windows
        if (until_us is None or window.release.start_us <= to_us)
        and (window.closes_us is None or window.closes_us > from_us)
    )
    if any(silence.gateway == "down" for silence in episode):
        # The gateway's finding tells of them; only what failed while the gateway answered is about the printer.
        episode = [silence for silence in episode if silence.gateway == "answers"]
    tries = sum(silence.count for silence in episode)
    asleep = bool(episode) and find.silence_kind(episode[0].reason) == "meter-silent" and not waiting
    if not asleep and tries >= SILENCE_TRIES_MIN:
        yield until_us, find.of_silence(timeline.printer, episode, until_us, waiting)


def _restarts(timeline: Timeline, moments: Sequence[Moment], windows: Sequence[Window]) -> Iterator[Dated]:
    for before, after in pairwise(moments):
        if not (after.sample.restarted and before.run is after.run and _was_off(timeline, before, after)):
            continue
        inside = [
            window
            for window in windows
            if window.release.start_us < after.from_us and (window.closes_us is None or window.closes_us > before.to_us)
        ]
        if inside:
            evidence = shown.readings(before.sample.plateau, after.sample.plateau)
            evidence += [shown.release(window.release.key) for window in inside]
            anchor, what = (after.run.number, after.from_us), shown.restarted()
            yield after.from_us, find.make("printer-restarted", timeline.printer, anchor, after.from_us, what, evidence)


def _was_off(timeline: Timeline, before: Moment, after: Moment) -> bool:
    """The printer restarted, and not its agent alone: it says so by another sign than the agent's clock."""
    if was_off(before.sample.plateau, after.sample.plateau):
        return True
    if after.sample.plateau.sight.state is PrinterState.WARMUP:
        return True
    failed = (one.first_sent_us for one in timeline.silences)
    return any(before.to_us < from_us < after.from_us for from_us in failed)


def _of_release(timeline: Timeline, window: Window) -> Iterator[Dated]:
    release = window.release
    started, key = release.started, release.key
    found: list[tuple[find.Kind, Evidence]] = []
    if release.again is not None:
        found.append(("repeated-release", shown.started_again(release.again)))
    if release.ended is None and window.closes_us is not None and not release.is_repeat:
        found.append(("release-never-ended", shown.no_end()))
    if release.policy.badge_within_us and not _badge_before(timeline, release):
        found.append(("release-without-badge", shown.no_badge()))
    evidence = [shown.release(key), shown.job(started)] if found else []
    for kind, what in found:
        yield window.closes_us, find.make(kind, timeline.printer, started.origin.key, release.start_us, what, evidence)


def _echoes(timeline: Timeline) -> Iterator[Dated]:
    for started in timeline.starts:
        if timeline.again.get(started.origin.key) == "echo":
            at_us = started.origin.at_us
            evidence = [shown.release(ReleaseKey(started.origin.source, started.release))]
            evidence.append(shown.event(started.origin.id))
            anchor, what = started.origin.key, shown.started_again("echo")
            yield at_us, find.make("repeated-release", timeline.printer, anchor, at_us, what, evidence)


def _badge_before(timeline: Timeline, release: Release) -> bool:
    earliest_us = release.noticed_us - release.policy.badge_within_us
    return any(
        earliest_us <= badge.origin.at_us <= release.noticed_us + release.policy.floor_us for badge in timeline.badges
    )
