"""What resume points and alerts remember, as hypothesis draws it: all that their codecs let through."""

from __future__ import annotations

from typing import get_args

from hypothesis import strategies as st

from pagereeve.domain.alerts.alert import Alert
from pagereeve.domain.alerts.message import STEPS, Notification, OpenAlert
from pagereeve.domain.badges.state import FRAMES_MAX, ChecksState, FeedState, ReaderState
from pagereeve.domain.brackets.continuity import Identity
from pagereeve.domain.brackets.hypotheses import HYPOTHESES, PAIRS
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.findings.conditions import Condition
from pagereeve.domain.findings.conflicts import DELIVERIES_MAX, SHOWN_MAX, TALLIES_MAX, Delivery, Tally
from pagereeve.domain.findings.finding import Kind
from pagereeve.domain.findings.source_clocks import TROUBLES_MAX, ClockTrouble
from pagereeve.domain.findings.state_doubts import StateDoubt
from pagereeve.domain.ledger import Evidence, EvidenceKind, Finding, FindingState, ReleaseKey, Severity
from pagereeve.domain.patterns.bias import CEILING, SIGNS_KEPT, Excursion
from pagereeve.domain.patterns.diagnosis import RECENT_MAX, Difference
from pagereeve.domain.patterns.memory import LATELY_MAX, NAMED_MAX, Lately, PatternMemory, StandingStill
from pagereeve.domain.patterns.prints_proof import NO_PROOF, PrintsProof
from pagereeve.domain.patterns.tickets import SourceTickets
from pagereeve.domain.patterns.units import NO_UNITS, REMEMBERED, Assumed, UnitMemory, UnitShown
from pagereeve.domain.patterns.witnesses import NO_WITNESSES, Disagreement, WitnessMemory
from pagereeve.domain.projection.projection import Memory
from pagereeve.domain.projection.resume_point import ResumePoint
from pagereeve.domain.values.codec import FIGURE_MAX
from tests.facts_strategies import FIGURES, INSTANTS_US, sights, texts

KEYS = st.builds(ReleaseKey, texts(), texts())
EXCURSIONS = st.builds(
    Excursion,
    level=st.integers(0, CEILING),
    pages=st.integers(-(2**53) + 1, 2**53 - 1),
    squares=FIGURES,
    brackets=FIGURES,
    first_us=INSTANTS_US,
    last_us=INSTANTS_US,
    first=KEYS,
    last=KEYS,
    alarmed=st.booleans(),
)
_NAMES = st.lists(st.sampled_from([one.name for one in (*HYPOTHESES, *PAIRS)]), unique=True, max_size=3).map(tuple)
DIFFERENCES = st.builds(Difference, at_us=INSTANTS_US, contradicts=_NAMES) | st.builds(
    Difference,
    at_us=INSTANTS_US,
    explained_by=_NAMES,
    contradicts=_NAMES,
    release=KEYS,
    counted=st.just(0) | FIGURES,
    least=st.just(0) | FIGURES,
)
STANDING = st.builds(
    StandingStill,
    since_us=INSTANTS_US,
    level=FIGURES,
    releases=st.lists(KEYS, max_size=NAMED_MAX).map(tuple),
    count=FIGURES,
)
LATELY = st.builds(Lately, release=KEYS, counted=FIGURES, missed=st.just(0) | FIGURES)
TICKETS = st.builds(SourceTickets, source=texts(), says=st.booleans()) | st.builds(
    SourceTickets,
    source=texts(),
    held=st.integers(1, 2**53 - 1),
    pages=FIGURES,
    since_us=INSTANTS_US,
    releases=st.lists(KEYS, max_size=3).map(tuple),
)
HABITS = st.builds(
    PatternMemory,
    run=FIGURES,
    up=st.none() | EXCURSIONS,
    down=st.none() | EXCURSIONS,
    signs=st.text("+-", max_size=SIGNS_KEPT),
    recent=st.lists(DIFFERENCES, max_size=4).map(tuple) | st.lists(DIFFERENCES, max_size=RECENT_MAX).map(tuple),
    standing=st.none() | STANDING,
    diagnosed=st.none() | st.tuples(texts(), INSTANTS_US),
    lately=st.lists(LATELY, max_size=LATELY_MAX).map(tuple),
    tickets=st.lists(TICKETS, max_size=2).map(tuple),
)
_VALUES = (
    FIGURES
    | texts()
    | st.lists(texts(), max_size=2).map(tuple)
    | st.lists(st.tuples(texts(), FIGURES), min_size=1, max_size=2).map(tuple)
)
EVIDENCE = st.builds(
    Evidence,
    kind=st.sampled_from(EvidenceKind),
    values=st.dictionaries(st.sampled_from(["count", "from_us", "printer"]), _VALUES, max_size=2).map(
        lambda known: tuple(sorted(known.items()))
    ),
    release=st.none() | KEYS,
    personal=st.booleans(),
)
TROUBLES = st.builds(ClockTrouble, source=texts(), event=texts(), since_us=INSTANTS_US, what=EVIDENCE, release=texts())
DELIVERIES = st.builds(Delivery, at_us=INSTANTS_US, source=texts(), event=texts(), digest=texts(), kind=texts())
TALLIES = st.builds(
    Tally,
    day_us=INSTANTS_US,
    source=texts(least=0),
    count=st.integers(1, DELIVERIES_MAX),
    first=st.lists(DELIVERIES, min_size=1, max_size=SHOWN_MAX).map(tuple),
)

UNITS_SHOWN = st.builds(
    UnitShown,
    channel=st.sampled_from(["total", "prints"]),
    object=texts(least=0),
    unit=st.sampled_from(Unit),
    given=st.sampled_from(Unit),
    word=st.booleans(),
    start_us=INSTANTS_US,
    source=texts(),
    event=texts(),
    release=texts(),
)
UNIT_MEMORIES = st.builds(
    UnitMemory,
    shown=st.lists(UNITS_SHOWN, max_size=REMEMBERED).map(tuple),
    contradicted=st.lists(UNITS_SHOWN, max_size=2).map(tuple),
    assumed=st.none()
    | st.builds(Assumed, since_us=INSTANTS_US, channel=texts(), object=texts(least=0), model=texts(least=0)),
)
DISAGREEMENTS = st.builds(
    Disagreement,
    channel=texts(),
    billed=texts(),
    witness=texts(),
    since_us=INSTANTS_US,
    counted=FIGURES,
    moved=FIGURES,
    brackets=FIGURES,
    least=FIGURES,
    most=st.none() | FIGURES,
    still=FIGURES,
    fitting=FIGURES,
    agreed=FIGURES,
    releases=st.lists(KEYS, max_size=2).map(tuple),
)
WITNESS_MEMORIES = st.builds(WitnessMemory, run=FIGURES, known=st.lists(DISAGREEMENTS, max_size=3).map(tuple))
PRINTS_PROOFS = st.builds(PrintsProof, FIGURES, texts(least=0), texts(least=0), FIGURES)
DOUBTS = st.builds(StateDoubt, since_us=INSTANTS_US, source=texts(), event=texts(), release=texts(), idle_rests=FIGURES)


@st.composite
def resume_points(draw: st.DrawFn) -> ResumePoint:
    counts = draw(sights()).counts
    return ResumePoint(
        at_us=draw(INSTANTS_US),
        plateau_from_us=draw(INSTANTS_US),
        run=draw(st.integers(1, 2**53 - 1)),
        identity=Identity(draw(texts(least=0)), draw(texts(least=0))),
        totals=tuple((name, draw(FIGURES)) for name, _ in counts),
        counts=counts,
        memory=Memory(
            draw(st.just(PatternMemory()) | HABITS),
            draw(st.lists(TROUBLES, max_size=3).map(tuple) | st.lists(TROUBLES, max_size=TROUBLES_MAX).map(tuple)),
            draw(st.lists(TALLIES, max_size=2).map(tuple) | st.lists(TALLIES, max_size=TALLIES_MAX).map(tuple)),
            draw(st.none() | DOUBTS),
            draw(st.just(NO_UNITS) | UNIT_MEMORIES),
            draw(st.just(NO_WITNESSES) | WITNESS_MEMORIES),
            draw(st.just(NO_PROOF) | PRINTS_PROOFS),
        ),
        known_us=draw(st.none() | INSTANTS_US),
    )


CONDITIONS = st.builds(
    Condition,
    kind=st.sampled_from(get_args(Kind)),
    place=texts(),
    since_us=INSTANTS_US,
    anchor=texts(),
    what=EVIDENCE,
    evidence=st.lists(EVIDENCE, max_size=2).map(tuple),
)


@st.composite
def _readers(draw: st.DrawFn) -> ReaderState:
    # What is not in a row has no style and no beginning: it isn't written.
    otherwise = draw(st.just(0) | st.integers(1, FIGURE_MAX))
    return ReaderState(
        gateway=draw(texts()),
        reader=draw(texts(least=0)),
        refused=draw(st.just(0) | st.integers(0, 2**FRAMES_MAX - 1)),
        frames=draw(st.integers(0, FRAMES_MAX)),
        otherwise=otherwise,
        style=draw(texts()) if otherwise else "",
        otherwise_since_us=draw(INSTANTS_US) if otherwise else 0,
        noisy=draw(st.none() | CONDITIONS),
        changed=draw(st.none() | CONDITIONS),
    )


@st.composite
def _feeds(draw: st.DrawFn) -> FeedState:
    unmatched = draw(st.just(0) | st.integers(1, FIGURE_MAX))
    return FeedState(
        heard=draw(st.booleans()),
        unmatched=unmatched,
        since_us=draw(INSTANTS_US) if unmatched else 0,
        silent=draw(st.none() | CONDITIONS),
    )


@st.composite
def checks_states(draw: st.DrawFn) -> ChecksState:
    readers = draw(st.lists(_readers(), max_size=12, unique_by=lambda one: (one.gateway, one.reader)))
    gateways = draw(st.lists(texts(), max_size=12, unique=True))
    return ChecksState(
        readers={(one.gateway, one.reader): one for one in readers},
        gateways={name: draw(_feeds()) for name in gateways},
        releases=draw(_feeds()),
        clock=draw(st.none() | CONDITIONS),
        receivers=tuple(draw(st.lists(CONDITIONS, max_size=3))),
    )


_FAR = st.integers(-(2**53) + 1, 2**53 - 1)
FINDINGS = st.builds(
    Finding,
    id=texts(),
    kind=texts(),
    severity=st.sampled_from(get_args(Severity)),
    printer=texts(least=0),
    since_us=_FAR,
    until_us=st.none() | _FAR,
    state=st.sampled_from(get_args(FindingState)),
    what=EVIDENCE,
    evidence=st.lists(EVIDENCE, max_size=2).map(tuple),
    pages=st.none() | _FAR,
    reason=texts(least=0),
    place=texts(least=0),
)
ALERTS = st.builds(
    Alert,
    id=texts(),
    kind=texts(),
    subject=texts(),
    printer=texts(least=0),
    gateway=texts(least=0),
    seen_us=_FAR,
    since_us=_FAR,
    last=FINDINGS,
    members=st.lists(FINDINGS, max_size=3).map(lambda found: {one.id: one for one in found}),
    told=FIGURES,
    told_us=_FAR,
    told_members=st.frozensets(texts(), max_size=3),
    fresh_us=st.none() | _FAR,
    clear_us=st.none() | _FAR,
    by_person=st.booleans(),
    wide=st.booleans(),
    quiet=st.booleans(),
    more=st.booleans(),
    ended_us=st.none() | _FAR,
)
OPEN_ALERTS = st.builds(
    OpenAlert,
    alert=texts(),
    kind=texts(),
    severity=st.sampled_from(get_args(Severity)),
    subject=texts(),
    printer=texts(least=0),
    gateway=texts(least=0),
    since_us=_FAR,
    title=texts(),
)
NOTIFICATIONS = st.builds(
    Notification,
    alert=texts(),
    nth=st.integers(1, 2**53 - 1),
    step=st.sampled_from(STEPS),
    kind=texts(),
    severity=st.sampled_from(get_args(Severity)),
    subject=texts(),
    printer=texts(least=0),
    gateway=texts(least=0),
    since_us=_FAR,
    at_us=_FAR,
    until_us=st.none() | _FAR,
    title=texts(),
    what=texts(),
    cost=texts(least=0),
    evidence=st.lists(texts(), max_size=3).map(tuple),
    first=texts(),
    command=texts(),
    findings=FIGURES,
    pages=st.none() | _FAR,
    zone=texts(),
    alerts=st.lists(OPEN_ALERTS, max_size=3).map(tuple),
    alerts_open=FIGURES,
)
