"""Where a projection can start: an instant at which nothing was open, and what the run under way knew by then."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from pagereeve.domain.brackets.continuity import Identity, clock_stands_alone
from pagereeve.domain.brackets.panel import is_of_panel
from pagereeve.domain.brackets.rests import known_until_us
from pagereeve.domain.brackets.runs import Run, Sample, rested_before
from pagereeve.domain.facts.reading import Count
from pagereeve.domain.facts.reading_codec import COUNTS
from pagereeve.domain.findings.conflicts import TALLIES_MAX, TALLY
from pagereeve.domain.findings.source_clocks import CLOCK_TROUBLE, TROUBLES_MAX
from pagereeve.domain.findings.state_doubts import STATE_DOUBT
from pagereeve.domain.patterns.memory import PATTERN_MEMORY
from pagereeve.domain.patterns.prints_proof import NO_PROOF, PRINTS_PROOF
from pagereeve.domain.patterns.units import NO_UNITS, UNIT_MEMORY
from pagereeve.domain.patterns.witnesses import NO_WITNESSES, WITNESS_MEMORY
from pagereeve.domain.projection.projection import NO_HABITS, NOTHING_KNOWN, Memory, Projected
from pagereeve.domain.values.codec import (
    FIGURE_MAX,
    INSTANT,
    TEXT,
    Codec,
    Kind,
    Member,
    Spread,
    inner,
    integer,
    placed,
)
from pagereeve.domain.values.fields import Fields
from pagereeve.domain.values.records import dataclass

# Raised when the projection's rules change: an older resume point is refused, and the printer is projected from its
# beginning.
PROJECTION_VERSION = 8


@dataclass(frozen=True, slots=True)
class ResumePoint:
    """The state at ``at_us``, an instant inside a plateau (known from ``plateau_from_us`` on) outside every window.

    ``memory`` is what earlier brackets and notices leave behind for what shows only over many. ``known_us``: the counts
    were known by then already, from answers before the plateau's. ``numbers``: the own runs of channels that broke
    within the run.
    """

    at_us: int
    plateau_from_us: int
    run: int
    identity: Identity
    totals: tuple[tuple[str, int], ...]
    counts: tuple[tuple[str, Count], ...]
    memory: Memory = NOTHING_KNOWN
    known_us: int | None = None
    numbers: tuple[tuple[str, int], ...] = ()

    def opening_run(self) -> Run:
        """The run under way, without samples: the plateau that spans the resume point comes first in the next facts."""
        known = dict(self.totals), dict(self.counts), self.known_us, dict(self.numbers)
        return Run(self.run, None, self.identity, [], *known)

    def to_json(self) -> dict[str, object]:
        return _RESUME_POINT.write(self) | {"version": PROJECTION_VERSION}

    @classmethod
    def from_json(cls, members: Any) -> ResumePoint:
        """Raises BadFact, also for a resume point that another version of the projection left."""
        fields = Fields(members, "resume_point")
        fields.integer("version", PROJECTION_VERSION, PROJECTION_VERSION)
        return _RESUME_POINT.read(fields)


def _totals_of(fields: Fields, name: str) -> tuple[tuple[str, int], ...]:
    totals = fields.object(name)
    return tuple((channel, totals.integer(channel, 0, FIGURE_MAX)) for channel in sorted(totals.names()))


def _numbers_of(fields: Fields, name: str) -> tuple[tuple[str, int], ...]:
    numbers = fields.optional_object(name) or Fields({}, name)
    return tuple((channel, numbers.integer(channel, 1, FIGURE_MAX)) for channel in sorted(numbers.names()))


def _same_channels(point: ResumePoint) -> tuple[str, str] | None:
    if [channel for channel, _ in point.totals] == [channel for channel, _ in point.counts]:
        return None
    return "totals", "are not of the channels in counts; one of each is needed"


_IDENTITY: Final = Codec(
    Identity,
    Member("serial", TEXT, default="", written=True),
    Member("object_id", TEXT, default="", written=True),
)
_MEMORY: Final = Codec(
    Memory,
    Member("habits", inner(PATTERN_MEMORY), default=NO_HABITS),
    Member("clocks", placed(inner(CLOCK_TROUBLE), TROUBLES_MAX), default=()),
    Member("conflicts", placed(inner(TALLY), TALLIES_MAX), default=()),
    Member("state", inner(STATE_DOUBT), default=None),
    Member("units", inner(UNIT_MEMORY), "unit_memory", default=NO_UNITS),
    Member("witnesses", inner(WITNESS_MEMORY), default=NO_WITNESSES),
    Member("prints", inner(PRINTS_PROOF), default=NO_PROOF),
)
_RESUME_POINT: Final = Codec(
    ResumePoint,
    Member("at_us", INSTANT, "at"),
    Member("plateau_from_us", INSTANT, "plateau_from"),
    Member("run", integer(1, FIGURE_MAX)),
    Spread("identity", _IDENTITY),
    Member("totals", Kind(_totals_of, _totals_of, dict)),
    Spread("counts", COUNTS),
    Spread("memory", _MEMORY),
    Member("known_us", INSTANT, "known", default=None),
    Member("numbers", Kind(_numbers_of, _numbers_of, dict), default=()),
    check=_same_channels,
)


def latest_resume_point(projected: Projected, after_us: int, limit_us: int) -> ResumePoint | None:
    """The latest instant in (after_us, limit_us] from which the rest can be projected alone, if there is one."""
    if limit_us <= after_us:
        return None
    # From the notice on, not from its answer: a projection resumed in between would know of no release.
    spans: list[tuple[int, int | None]] = [*projected.unsettled_us]
    spans += [(window.release.noticed_us, window.open_until_us) for window in projected.windows]
    spans.sort(key=lambda span: span[0])
    for run in reversed(projected.runs.runs):
        channels = frozenset(run.last_totals)
        for index in range(len(run.samples) - 1, -1, -1):
            sample = run.samples[index]
            if (known := _known(run, index)) is None or (at_us := _quiet_instant(known, spans, limit_us)) is None:
                continue
            if _goes_on(run, index) and _ends_within(spans, sample.plateau.last_sent_us, at_us):
                continue
            if (
                _is_odd(run, index)
                or _hangs_on_the_next(run, index)
                or not _has_all(sample, channels)
                or not projected.joining.stands(run, index)
                # Since when it rested says of a job whether it is a release's.
                or rested_before(run, index) is not None
            ):
                continue
            return _resume_point(run, index, at_us, projected.memory_at(at_us)) if at_us > after_us else None
    return None


def _has_all(sample: Sample, channels: frozenset[str]) -> bool:
    """No channel waits for what was before, nor comes for the first time behind it."""
    return not sample.lacking and channels <= {name for name, _ in sample.totals}


def _is_odd(run: Run, index: int) -> bool:
    """The next answer tells, or told, that something in this one is odd."""
    sample = run.samples[index]
    if sample.doubted or sample.odd_clock:
        return True
    is_last = index > 0 and index + 1 == len(run.samples)
    return is_last and clock_stands_alone(run.samples[index - 1].plateau, sample.plateau)


def _hangs_on_the_next(run: Run, index: int) -> bool:
    """Only the figure after it made people's word of a panel believed there: one that is noted later, and was read in
    between, may take that back.
    """
    sample = run.samples[index]
    if not is_of_panel(sample.plateau):
        return False
    before = run.samples[index - 1].numbers if index else ()
    return sample.numbers != before if index else run.began is not None


def _known(run: Run, index: int) -> tuple[int, int] | None:
    """From when until when the sample shows its counts, and the same of all of them; None where it is not the same."""
    plateau, totals = run.samples[index].plateau, run.samples[index].totals
    received_us = plateau.first_received_us
    if plateau.last_sent_us < received_us and index and not _goes_on(run, index):
        before = dict(run.samples[index - 1].totals)
        if any(before.get(channel, total) == total for channel, total in totals):
            return None
    return received_us, known_until_us(received_us, plateau)


def _goes_on(run: Run, index: int) -> bool:
    """A single answer with the counts of the one before it: they are known until it was asked for, and not beyond."""
    sample = run.samples[index]
    if sample.plateau.last_sent_us >= sample.plateau.first_received_us:
        return False
    before = run.samples[index - 1] if index else None
    shows = (sample.totals, sample.numbers)
    return (before is not None and (before.totals, before.numbers) == shows) or _is_taken_up(run, index)


def _is_taken_up(run: Run, index: int) -> bool:
    return index == 0 and run.known_from_us(run.samples[0]) < run.samples[0].plateau.first_received_us


def _quiet_instant(known: tuple[int, int], spans: Sequence[tuple[int, int | None]], limit_us: int) -> int | None:
    """The latest instant at which the counts are known outside every window, its first-page floor included."""
    from_us, until_us = known
    at_us = min(until_us, limit_us)
    for start_us, closes_us in reversed(spans):
        if start_us <= at_us and (closes_us is None or at_us < closes_us):
            at_us = start_us - 1
    return at_us if at_us >= from_us else None


def _ends_within(spans: Sequence[tuple[int, int | None]], from_us: int, until_us: int) -> bool:
    return any(closes_us is not None and from_us < closes_us <= until_us for _, closes_us in spans)


def _resume_point(run: Run, index: int, at_us: int, memory: Memory) -> ResumePoint:
    # A run's readings never contradict one another, so what it learnt of its identity later holds here too.
    sample = run.samples[index]
    plateau_from_us = sample.plateau.first_received_us
    known_us = sample.plateau.last_sent_us if _goes_on(run, index) else None
    counts = sample.plateau.sight.counts
    totals, numbers = sample.totals, sample.numbers
    return ResumePoint(at_us, plateau_from_us, run.number, run.identity, totals, counts, memory, known_us, numbers)
