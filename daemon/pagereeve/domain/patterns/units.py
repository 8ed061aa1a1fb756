"""What releases show of a counter's unit: a two-sided one of four pages and more, alone in its bracket, fits one alone.

Two such releases are a fact, one is a glitch. Of a counter whose unit nobody says they teach it; of one whose unit is
given they can contradict that, which is a finding. That a printer runs on an assumed unit is one too, and alarms
nobody.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import field, replace
from typing import Final

from pagereeve.domain.brackets.prints import PRINTS, PRINTS_ALONE, TOTAL, counter_channel
from pagereeve.domain.brackets.runs import Run
from pagereeve.domain.brackets.units import is_unsure
from pagereeve.domain.brackets.windows import expected_of
from pagereeve.domain.charging.postings import NOT_RELEASED, Posted
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.reading import KNOWN_UNITS, Unit, UnitGrade
from pagereeve.domain.findings import evidence as shown
from pagereeve.domain.findings import finding as find
from pagereeve.domain.ledger import Finding, Grade, ReleaseKey
from pagereeve.domain.values.codec import INSTANT, TEXT, TRUTH, Codec, Member, choice, inner, placed
from pagereeve.domain.values.records import dataclass

# Fewer pages may cost the same in sheets and in sides, with what else may differ by one.
PAGES_LEAST: Final = 4
# So many in a row are a fact.
ALIKE: Final = 2
# So many releases are remembered, of all counters together: enough for two of each that counts prints.
REMEMBERED: Final = 16
# What a ticket can be compared with: prints, and totals.
COMPARED: Final = (TOTAL, PRINTS, PRINTS_ALONE)


@dataclass(frozen=True, slots=True)
class UnitShown:
    """One release whose count fits ``unit`` alone, of a counter that was judged by ``given``.

    ``word``: somebody or something said that unit, and it is not merely assumed, nor learnt from such releases.
    """

    channel: str
    object: str
    unit: Unit
    given: Unit
    word: bool
    start_us: int
    source: str
    event: str
    release: str

    @property
    def counter(self) -> tuple[str, str]:
        return (self.channel, self.object)

    @property
    def key(self) -> ReleaseKey:
        return ReleaseKey(self.source, self.release)

    @property
    def contradicts(self) -> bool:
        return self.word and self.unit is not self.given


@dataclass(frozen=True, slots=True)
class Assumed:
    """Since then a counter that tickets are compared with runs on an assumed unit; ``model``: the agent's object id."""

    since_us: int
    channel: str
    object: str
    model: str


@dataclass(frozen=True, slots=True)
class UnitMemory:
    """``shown`` are the latest, in order of their brackets; ``contradicted`` the first two of each counter whose given
    unit they contradict.
    """

    shown: tuple[UnitShown, ...] = ()
    contradicted: tuple[UnitShown, ...] = ()
    assumed: Assumed | None = None


NO_UNITS: Final = UnitMemory()


@dataclass(slots=True)
class UnitsWatched:
    states: list[tuple[int, UnitMemory]] = field(default_factory=list)
    findings: list[tuple[int | None, Finding]] = field(default_factory=list)


def watch_units(
    printer: str, rules: Rules, posted: Sequence[tuple[int, Posted]], runs: Sequence[Run], before: UnitMemory
) -> UnitsWatched:
    """Brackets and readings in order of time; ``before`` is what was remembered of earlier ones."""
    watched, memory = UnitsWatched(), before
    news: list[tuple[int, UnitShown | Assumed | None]] = list(_assumptions(runs, before.assumed))
    news += [(at_us, seen) for at_us, row in posted if (seen := shown_by(row, rules)) is not None]
    for at_us, one in sorted(news, key=_order):
        if isinstance(one, UnitShown):
            now = _taught(memory, one)
            over = [known for known in memory.contradicted if known not in now.contradicted]
            watched.findings += [(at_us, found) for found in _contradictions(printer, over, at_us)]
        else:
            now = replace(memory, assumed=one)
            if one is None and memory.assumed is not None:
                watched.findings.append((at_us, _assumed(printer, memory.assumed, at_us)))
        memory = now
        watched.states.append((at_us, memory))
    watched.findings += [(None, found) for found in _contradictions(printer, memory.contradicted, None)]
    if memory.assumed is not None:
        watched.findings.append((None, _assumed(printer, memory.assumed, None)))
    return watched


def _order(dated: tuple[int, UnitShown | Assumed | None]) -> tuple[int, bool, int, str, str]:
    at_us, one = dated
    return (at_us, True, one.start_us, *one.counter) if isinstance(one, UnitShown) else (at_us, False, 0, "", "")


def _assumptions(runs: Sequence[Run], before: Assumed | None) -> Iterator[tuple[int, Assumed | None]]:
    """When a printer begins to run on an assumed unit, and when that is over."""
    now = before
    for run in runs:
        for sample in run.samples:
            sight, at_us = sample.plateau.sight, sample.plateau.first_received_us
            compared = [(name, count) for name, count in sight.counts if name in COMPARED]
            unsure = next((one for one in compared if is_unsure(one[1])), None)
            if unsure is not None and now is None:
                now = Assumed(at_us, counter_channel(unsure[0]), unsure[1].object, sight.object_id)
                yield at_us, now
            elif unsure is None and compared and now is not None:
                now = None
                yield at_us, None


def shown_by(posted: Posted, rules: Rules) -> UnitShown | None:
    """What one bracket shows of its counter's unit; None where it shows nothing of it."""
    stretch, count = posted.stretch, posted.count
    if count is None or stretch.channel not in COMPARED or stretch.grade is not Grade.TIGHT:
        return None
    if not NOT_RELEASED.isdisjoint(stretch.reasons):
        return None
    release = posted.windows[0].release
    ended, ticket = release.ended, release.ticket
    if ended is None or ended.outcome != "completed" or release.is_repeat:
        return None
    if ticket.sides in {None, "one-sided"} or ticket.pages is None or ticket.pages < PAGES_LEAST:
        return None
    fits = [unit for unit in KNOWN_UNITS if expected_of(stretch.channel, unit, release).count.holds(stretch.counted)]
    if len(fits) != 1:
        return None
    channel = counter_channel(stretch.channel)
    learned = rules.unit_learned(channel, count.object, stretch.closes_us)
    word = not is_unsure(count) and not (count.grade is UnitGrade.INFERRED and learned is count.unit)
    origin = release.started.origin
    return UnitShown(
        channel=channel,
        object=count.object,
        unit=fits[0],
        given=count.unit,
        word=word,
        start_us=release.start_us,
        source=origin.source,
        event=origin.id,
        release=release.started.release,
    )


def _taught(memory: UnitMemory, one: UnitShown) -> UnitMemory:
    latest = (*memory.shown, one)[-REMEMBERED:]
    mine = [known for known in latest if known.counter == one.counter][-ALIKE:]
    standing = [known for known in memory.contradicted if known.counter == one.counter]
    agreeing = len(mine) == ALIKE and not any(known.contradicts for known in mine)
    alike = len(mine) == ALIKE and all(known.contradicts and known.given is one.given for known in mine)
    contradicted = memory.contradicted
    if standing and (agreeing or not one.word or one.given is not standing[0].given):
        contradicted = tuple(known for known in contradicted if known not in standing)
    elif alike and not standing:
        contradicted = (*contradicted, *mine)[-REMEMBERED:]
    return replace(memory, shown=latest, contradicted=contradicted)


def _contradictions(printer: str, known: Sequence[UnitShown], until_us: int | None) -> Iterator[Finding]:
    for counter in sorted({one.counter for one in known}):
        mine = [one for one in known if one.counter == counter]
        first = mine[0]
        what = shown.unit_contradicted(first.channel, first.object, first.given, first.unit)
        anchor, evidence = (first.channel, first.source, first.event), [shown.release(one.key) for one in mine]
        yield find.make("unit-contradicted", printer, anchor, first.start_us, what, evidence, until_us)


def _assumed(printer: str, assumed: Assumed, until_us: int | None) -> Finding:
    what = shown.unit_assumed(assumed.channel, assumed.object, assumed.model)
    return find.make("unit-assumed", printer, (assumed.since_us,), assumed.since_us, what, (), until_us)


_SHOWN: Final = Codec(
    UnitShown,
    Member("channel", TEXT),
    Member("object", TEXT, default=""),
    Member("unit", choice(Unit, str)),
    Member("given", choice(Unit, str)),
    Member("word", TRUTH, default=False),
    Member("start_us", INSTANT, "start"),
    Member("source", TEXT),
    Member("event", TEXT),
    Member("release", TEXT),
)
_ASSUMED: Final = Codec(
    Assumed,
    Member("since_us", INSTANT, "since"),
    Member("channel", TEXT),
    Member("object", TEXT, default=""),
    Member("model", TEXT, default=""),
)
UNIT_MEMORY: Final = Codec(
    UnitMemory,
    Member("shown", placed(inner(_SHOWN), REMEMBERED), default=()),
    Member("contradicted", placed(inner(_SHOWN), REMEMBERED), default=()),
    Member("assumed", inner(_ASSUMED), default=None),
)
