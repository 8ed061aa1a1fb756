"""Findings that hang on the timeline itself, not on a stretch: breaks, silences, restarts, notices, clocks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Final

from pagereeve.domain.brackets.runs import Run
from pagereeve.domain.brackets.timeline import Again, Timeline
from pagereeve.domain.brackets.windows import Moment, Release, Window
from pagereeve.domain.facts.in_force import NOTE_REACH_US
from pagereeve.domain.facts.reading import Silence
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import Finding, ReleaseKey
from pagereeve.domain.values.instants import to_text

# Silences shorter than this many failed reads are a lost datagram, not a silent meter.
SILENCE_TRIES_MIN = 2

AGAIN: Final[dict[Again, str]] = {
    "echo": "the same start notice came again under another id; it changes nothing",
    "repeat": "a release of this name was started before, for the same job: it claims nothing anew",
    "reuse": "the source used this release's name before, for another job; each is a release of its own",
}

Dated = tuple[int | None, Finding]


def noticed(
    timeline: Timeline, runs: Sequence[Run], windows: Sequence[Window], moments: Sequence[Moment]
) -> Iterator[Dated]:
    """Each finding with the instant at which it is settled (None: not yet)."""
    for before, after in pairwise(runs):
        finding = find.of_break(timeline.printer, before, after)
        if finding is not None:
            yield finding.since_us, _explained(timeline, before, after, finding)
    for conflict in timeline.conflicts:
        yield conflict.origin.at_us, find.of_conflict(conflict)
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
    text = f"no printer {printer!r} is in the registry, so its meter is not read; correct the name or add it"
    evidence = [find.release_line(ReleaseKey(one.origin.source, one.release)) for one in timeline.starts]
    return find.make("unknown-printer", printer, (), first.origin.at_us, text, evidence)


def _explained(timeline: Timeline, before: Run, after: Run, finding: Finding) -> Finding:
    """Somebody noted the replacement: the finding is explained by it."""
    from_us = before.samples[-1].plateau.first_received_us
    to_us = after.samples[0].plateau.first_received_us + NOTE_REACH_US
    note = timeline.rules.noted_between("meter-replaced", from_us, to_us)
    if note is None:
        return finding
    line = f"noted {to_text(note.origin.at_us)}: {note.note} {note.text}".strip()
    return replace(finding, until_us=note.origin.at_us, state="explained", evidence=(*finding.evidence, line))


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
    tries = sum(silence.count for silence in episode)
    asleep = find.silence_kind(episode[0].reason) == "meter-silent" and not waiting
    if not asleep and tries >= SILENCE_TRIES_MIN:
        yield until_us, find.of_silence(timeline.printer, episode, until_us, waiting)


def _restarts(timeline: Timeline, moments: Sequence[Moment], windows: Sequence[Window]) -> Iterator[Dated]:
    for before, after in pairwise(moments):
        if not (after.sample.restarted and before.run is after.run):
            continue
        inside = [
            window
            for window in windows
            if window.release.start_us < after.from_us and (window.closes_us is None or window.closes_us > before.to_us)
        ]
        if inside:
            text = "the printer restarted inside a bracket; the count did not fall"
            evidence = find.pair_lines(before.sample.plateau, after.sample.plateau)
            evidence += [find.release_line(window.release.key) for window in inside]
            anchor = (after.run.number, after.from_us)
            yield after.from_us, find.make("printer-restarted", timeline.printer, anchor, after.from_us, text, evidence)


def _of_release(timeline: Timeline, window: Window) -> Iterator[Dated]:
    release = window.release
    started, key = release.started, release.key
    evidence = [find.release_line(key), f"job {started.job}, owner {started.owner}"]
    told: list[tuple[find.Kind, str]] = []
    if release.again is not None:
        told.append(("repeated-release", AGAIN[release.again]))
    if release.ended is None and window.closes_us is not None and not release.is_repeat:
        told.append(("release-never-ended", "no end notice came; the window closed without one"))
    if release.policy.badge_within_us and not _badge_before(timeline, release):
        told.append(("release-without-badge", "no badge was presented at the gateway before this release"))
    for kind, text in told:
        yield window.closes_us, find.make(kind, timeline.printer, started.origin.key, release.start_us, text, evidence)


def _echoes(timeline: Timeline) -> Iterator[Dated]:
    for started in timeline.starts:
        if timeline.again.get(started.origin.key) == "echo":
            at_us = started.origin.at_us
            evidence = [find.release_line(ReleaseKey(started.origin.source, started.release))]
            evidence.append(f"event {started.origin.id}")
            anchor = started.origin.key
            yield at_us, find.make("repeated-release", timeline.printer, anchor, at_us, AGAIN["echo"], evidence)


def _badge_before(timeline: Timeline, release: Release) -> bool:
    earliest_us = release.start_us - release.policy.badge_within_us
    return any(
        earliest_us <= badge.origin.at_us <= release.start_us + release.policy.floor_us for badge in timeline.badges
    )
