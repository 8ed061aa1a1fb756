"""Facts of every kind, as hypothesis draws them: all that domain.facts.codec lets through, and nothing else."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

from hypothesis import strategies as st

from pagereeve.domain.facts.closed import FactsArchived, PeriodClosed
from pagereeve.domain.facts.erased import Erased
from pagereeve.domain.facts.events import BADGE_PRESENTED, NAME_MAX, PRINTER_NOTED, RELEASE_ENDED, RELEASE_STARTED
from pagereeve.domain.facts.facts import (
    Action,
    Assigned,
    BadgeOutcome,
    BadgePolicySet,
    BadgePresented,
    BadgeUnreadable,
    Bound,
    ChoiceReason,
    ClockChange,
    ClockChanged,
    ClockMark,
    Conflict,
    CounterChosen,
    Decided,
    Event,
    Fact,
    FactDamaged,
    GatewayChecked,
    GatewayState,
    Loss,
    LossAccepted,
    Note,
    Origin,
    Outcome,
    PagesDecided,
    PlateauRead,
    PolicySet,
    PrinterNoted,
    ReadFailed,
    ReadingNoted,
    Reason,
    ReceiverChange,
    ReceiverChanged,
    Redated,
    Registered,
    ReleaseEnded,
    ReleaseStarted,
    SettleLearned,
    ShownBy,
    SiteChecked,
    SiteStanding,
    UnitLearned,
)
from pagereeve.domain.facts.jobs import (
    CHANNEL_MAX,
    COUNT_MAX,
    JOB_MAX,
    JobCounted,
    JobCounts,
    JobDoor,
    JobState,
    NamedBy,
    Within,
)
from pagereeve.domain.facts.names_shown import NamesShown
from pagereeve.domain.facts.page_decision import PageDecision, PagesReason
from pagereeve.domain.facts.people import MergeUndone, PeopleMerged, PersonNamed, PersonWord
from pagereeve.domain.facts.policy import (
    LARGE_WEIGHT_MAX,
    BadgePolicy,
    BlankBacks,
    Charging,
    Copies,
    NumberUp,
    Policy,
    SidesMade,
    TicketDefault,
)
from pagereeve.domain.facts.reading import (
    ERROR_BITS,
    Count,
    GatewayWord,
    Plateau,
    PrinterState,
    Sight,
    Silence,
    SilenceReason,
    Unit,
    UnitGrade,
)
from pagereeve.domain.facts.ticket import (
    COPIES_MAX,
    COSTING,
    NUMBER_UP_MAX,
    PAGES_MAX,
    SEPARATORS_MAX,
    ColorMode,
    Sides,
    Ticket,
)
from pagereeve.domain.values.fields import TEXT_MAX
from tests import noted_readings

FIGURES = st.integers(0, 2**53 - 1)
# Years 1000 to 9999: what RFC 3339 text of four plain digits can name.
INSTANTS_US = st.integers(-30_610_224_000_000_000, 253_402_300_799_999_999)
TICKS = st.none() | st.integers(0, 2**32 - 1)
_LETTERS = st.characters(codec="utf-8", min_codepoint=0x20)


def texts(longest: int = NAME_MAX, *, least: int = 1) -> st.SearchStrategy[str]:
    """Any text without control characters below U+0020 and lone surrogates; often long, seldom plain."""
    return st.text(_LETTERS, min_size=least, max_size=min(longest, 40)) | st.just("x" * longest)


NAMES = st.sampled_from(["printer-a", "printer-b", "Drucker 3. Stock", "プリンタ", "p\U0001f5a8"]) | texts()

ORIGINS = st.builds(
    Origin,
    source=texts(),
    id=texts(),
    at_us=INSTANTS_US,
    received_us=INSTANTS_US,
    occurred_us=st.none() | INSTANTS_US,
    clock=st.sampled_from(get_args(ClockMark)),
)

SAID = st.builds(
    Ticket,
    pages=st.none() | st.integers(0, PAGES_MAX),
    copies=st.none() | st.integers(1, COPIES_MAX),
    sides=st.none() | st.sampled_from(get_args(Sides)),
    number_up=st.none() | st.integers(1, NUMBER_UP_MAX),
    color_mode=st.none() | st.sampled_from(get_args(ColorMode)),
    media=st.none() | texts(),
    separator_sheets=st.none() | st.integers(0, SEPARATORS_MAX),
    title=st.none() | texts(TEXT_MAX),
)


@st.composite
def _tickets(draw: st.DrawFn) -> Ticket:
    """Of what is not said some members are said to be unknown."""
    ticket = draw(SAID)
    silent = [name for name in COSTING if getattr(ticket, name) is None]
    return replace(ticket, unknown=tuple(name for name in silent if draw(st.booleans())))


TICKETS = _tickets()

BADGES = st.builds(
    BadgePresented,
    printer=st.just("") | NAMES,
    origin=ORIGINS,
    badge=texts(),
    gateway=texts(),
    reader=texts(least=0),
    outcome=st.sampled_from(("", *get_args(BadgeOutcome))),
    resembles=st.just("") | texts(),
)
STARTS = st.builds(
    ReleaseStarted,
    printer=NAMES,
    origin=ORIGINS,
    release=texts(),
    job=texts(),
    owner=texts(),
    gateway=texts(least=0),
    badge=texts(least=0),
    queue=texts(least=0),
    ticket=TICKETS,
    was=texts(least=0),
    replaces=texts(least=0),
    printer_job=st.none() | st.integers(1, JOB_MAX),
)
ENDS = st.builds(
    ReleaseEnded,
    printer=st.just("") | NAMES,
    origin=ORIGINS,
    release=texts(),
    outcome=st.sampled_from(get_args(Outcome)),
    pages_sent=st.none() | st.integers(0, PAGES_MAX),
)
NOTES = st.builds(
    PrinterNoted,
    printer=NAMES,
    origin=ORIGINS,
    note=st.sampled_from(get_args(Note)),
    text=texts(TEXT_MAX, least=0),
)
DECISIONS = st.builds(
    Decided,
    printer=st.just("") | NAMES,
    origin=ORIGINS,
    finding=texts(),
    action=st.sampled_from(get_args(Action)),
    by=texts(),
    reason=st.sampled_from(get_args(Reason)),
    text=texts(TEXT_MAX, least=0),
    at=texts(),
)
PAGES_SAID = st.one_of(
    st.builds(
        PageDecision,
        act=st.sampled_from(("waive", "confirm")),
        pages=st.integers(1, 9_000),
        reason=st.sampled_from(get_args(PagesReason)),
        channel=NAMES,
        release_source=texts(),
        release_id=texts(),
        text=texts(TEXT_MAX, least=0),
    ),
    st.builds(
        PageDecision,
        act=st.just("move"),
        pages=st.integers(1, 9_000),
        reason=st.sampled_from(get_args(PagesReason)),
        channel=NAMES,
        closes_us=INSTANTS_US,
        taken_from=st.just("stray"),
        to=st.sampled_from(("person", "cost-centre")),
        to_name=texts(),
    ),
    st.builds(
        PageDecision,
        act=st.just("undo"),
        pages=st.integers(1, 9_000),
        reason=st.sampled_from(get_args(PagesReason)),
        undoes=texts(),
    ),
)
PAGE_DECISIONS = st.builds(PagesDecided, printer=NAMES, origin=ORIGINS, by=texts(), said=PAGES_SAID)
NOTED_READINGS = st.builds(ReadingNoted, printer=NAMES, origin=ORIGINS, by=texts(), said=noted_readings.SAID)
EVENTS: st.SearchStrategy[Event] = st.one_of(BADGES, STARTS, ENDS, NOTES, DECISIONS, PAGE_DECISIONS, NOTED_READINGS)


@st.composite
def sights(draw: st.DrawFn) -> Sight:
    channels = st.sampled_from(["total", "mono", "colour", "sheets", "duplex", "large", "é", "\U0001f5a8", "\ufb33"])
    names = draw(st.lists(channels, unique=True, max_size=5))
    counts = st.builds(
        Count,
        value=FIGURES,
        unit=st.sampled_from(Unit),
        modulus=st.sampled_from([0, 10**6, 2**24, 2**31, 2**32]),
        object=st.sampled_from(["", "1.3.6.1.2.1.43.10.2.1.4.1.1"]),
        grade=st.sampled_from(UnitGrade),
    )
    return Sight(
        counts=tuple((name, draw(counts)) for name in sorted(names)),
        serial=draw(texts(least=0)),
        object_id=draw(texts(least=0)),
        description=draw(texts(least=0)),
        state=draw(st.sampled_from(PrinterState)),
        errors=tuple(draw(st.lists(st.sampled_from(ERROR_BITS), unique=True, max_size=4))),
        responder=draw(st.sampled_from(["", "192.0.2.10:1161"])),
    )


@st.composite
def plateaus(draw: st.DrawFn) -> Plateau:
    times = sorted(draw(st.lists(INSTANTS_US, min_size=4, max_size=4)))
    first_sent_us, first_received_us, last_sent_us, last_received_us = times
    return Plateau(
        first_sent_us=first_sent_us,
        first_received_us=first_received_us,
        last_sent_us=last_sent_us,
        last_received_us=last_received_us,
        count=draw(st.integers(1, 2**53 - 1)),
        sight=draw(sights()),
        first_uptime_cs=draw(TICKS),
        last_uptime_cs=draw(TICKS),
        first_power_on=draw(st.none() | FIGURES),
        last_power_on=draw(st.none() | FIGURES),
    )


READS = st.builds(PlateauRead, printer=NAMES, plateau=plateaus())
SILENCES = st.builds(
    Silence,
    first_sent_us=INSTANTS_US,
    last_received_us=INSTANTS_US,
    count=st.integers(1, 2**53 - 1),
    reason=st.sampled_from(SilenceReason),
    detail=texts(TEXT_MAX, least=0),
    responder=texts(least=0),
    gateway=st.sampled_from(get_args(GatewayWord)),
)
FAILED_READS = st.builds(ReadFailed, printer=NAMES, silence=SILENCES)
RUNS: st.SearchStrategy[PlateauRead | ReadFailed] = READS | FAILED_READS

SHOWN_BY = st.builds(ShownBy, source=texts(), release=texts())
UNITS_LEARNED = st.builds(
    UnitLearned,
    channel=st.sampled_from(["total", "prints"]),
    object=st.sampled_from(["", "1.3.6.1.2.1.43.10.2.1.4.1.1"]),
    unit=st.sampled_from(Unit),
    releases=st.lists(SHOWN_BY, max_size=2).map(tuple),
)
COUNTERS_CHOSEN = st.builds(
    CounterChosen,
    channel=st.sampled_from(["total", "prints"]),
    object=texts(),
    reason=st.sampled_from(get_args(ChoiceReason)),
)

_SPANS = st.tuples(INSTANTS_US, INSTANTS_US).map(lambda two: Within(min(two), max(two)))
_JOB_FIGURES = st.none() | st.integers(0, COUNT_MAX)


@st.composite
def job_counts(draw: st.DrawFn) -> JobCounted:
    sent_us, received_us = sorted((draw(INSTANTS_US), draw(INSTANTS_US)))
    return JobCounted(
        printer=draw(NAMES),
        door=draw(st.sampled_from(get_args(JobDoor))),
        job=draw(st.integers(1, JOB_MAX)),
        sent_us=sent_us,
        received_us=received_us,
        state=draw(st.sampled_from(get_args(JobState))),
        set=draw(st.integers(0, JOB_MAX)),
        epoch=draw(st.integers(1, JOB_MAX)),
        reasons=draw(FIGURES),
        counts=JobCounts(*(draw(_JOB_FIGURES) for _ in range(4))),
        service=draw(st.none() | st.integers(0, CHANNEL_MAX)),
        channel=draw(st.none() | st.integers(0, CHANNEL_MAX)),
        began=draw(st.none() | _SPANS),
        ended=draw(st.none() | _SPANS),
        named_by=draw(st.none() | st.builds(NamedBy, NAMES, NAMES)),
    )


POLICIES = st.builds(
    Policy,
    settle_us=FIGURES,
    floor_us=FIGURES,
    unmoved_us=FIGURES,
    longest_us=FIGURES,
    longest_stalled_us=FIGURES,
    settle_longest_us=FIGURES,
    fresh_us=FIGURES,
    tolerance_permille=FIGURES,
    tolerance_pages=FIGURES,
    speed_per_minute=FIGURES,
    fall_back=FIGURES,
    modulus=FIGURES,
    charging=st.sampled_from(get_args(Charging)),
    charging_needs=st.sampled_from(UnitGrade),
    blank_backs=st.sampled_from(get_args(BlankBacks)),
    separator_sheets=st.none() | st.integers(0, SEPARATORS_MAX),
    badge_within_us=FIGURES,
    copies=st.sampled_from(get_args(Copies)),
    number_up=st.sampled_from(get_args(NumberUp)),
    sides=st.sampled_from(get_args(SidesMade)),
    large_media_weight=st.none() | st.integers(0, LARGE_WEIGHT_MAX),
    start_up_pages=st.none() | FIGURES,
    tickets=st.lists(st.builds(TicketDefault, source=texts(least=0), ticket=TICKETS), max_size=2).map(tuple),
)
BADGE_POLICIES = st.builds(BadgePolicy, **dict.fromkeys(BadgePolicy.__dataclass_fields__, FIGURES))

SAID_OF_PERSONS = st.builds(
    PersonNamed,
    at_us=INSTANTS_US,
    person=st.just("p-0123456789ab"),
    word=st.sampled_from(get_args(PersonWord)),
    text=texts(),
    known_us=INSTANTS_US,
    by=texts(),
    until_us=st.none() | INSTANTS_US,
)
MERGES = st.builds(
    PeopleMerged,
    at_us=INSTANTS_US,
    person=st.just("p-0123456789ab"),
    into=st.just("p-ba9876543210"),
    by=texts(),
    reason=texts(),
)
PEOPLE_FACTS = (
    SAID_OF_PERSONS.filter(lambda one: one.until_us is None or one.until_us >= one.at_us),
    MERGES,
    MERGES.map(lambda one: MergeUndone(one.at_us, one.person, one.into, one.by, one.reason)),
)

FACTS: st.SearchStrategy[Fact] = st.one_of(
    EVENTS,
    READS,
    FAILED_READS,
    job_counts(),
    st.builds(PolicySet, printer=NAMES, at_us=INSTANTS_US, policy=POLICIES),
    st.builds(
        SettleLearned,
        printer=NAMES,
        at_us=INSTANTS_US,
        settle_us=FIGURES,
        state_believed=st.booleans(),
        units=st.lists(UNITS_LEARNED, max_size=3).map(tuple),
        chosen=st.lists(COUNTERS_CHOSEN, max_size=2).map(tuple),
    ),
    st.builds(Assigned, at_us=INSTANTS_US, owner=texts(), cost_centre=texts(), printer=st.just("")),
    st.builds(Registered, at_us=INSTANTS_US, name=NAMES, gateway=st.just("") | NAMES, printer=st.just("")),
    st.builds(
        Bound,
        at_us=INSTANTS_US,
        badge=texts(),
        owner=texts(),
        known_us=INSTANTS_US,
        until_us=st.none() | INSTANTS_US,
        printer=st.just(""),
    ),
    st.builds(
        Erased,
        at_us=INSTANTS_US,
        name=texts(),
        by=texts(),
        facts=FIGURES,
        digest=texts(),
        printer=st.just(""),
    ),
    st.builds(
        PeriodClosed,
        at_us=INSTANTS_US,
        **dict.fromkeys(("name", "zone", "database", "by", "reason", "journal", "head", "sha256"), texts()),
        **dict.fromkeys(("from_us", "to_us"), INSTANTS_US),
        **dict.fromkeys(("size", "version", "rows"), FIGURES),
        printer=st.just(""),
    ),
    st.builds(
        FactsArchived,
        **dict.fromkeys(("at_us", "from_us", "to_us"), INSTANTS_US),
        **dict.fromkeys(("period", "by", "file", "sha256"), texts()),
        **dict.fromkeys(("size_bytes", "facts"), FIGURES),
        printer=st.just(""),
    ),
    st.builds(NamesShown, at_us=INSTANTS_US, by=texts(), until_us=INSTANTS_US, printer=st.just("")),
    *PEOPLE_FACTS,
    st.builds(BadgePolicySet, at_us=INSTANTS_US, policy=BADGE_POLICIES, printer=st.just("")),
    st.builds(
        BadgeUnreadable,
        origin=ORIGINS,
        gateway=NAMES,
        reason=texts(),
        reader=st.just("") | NAMES,
        printer=st.just(""),
    ),
    st.builds(
        ClockChanged,
        origin=ORIGINS,
        boot=texts(),
        change=st.sampled_from(get_args(ClockChange)),
        monotonic_us=FIGURES,
        before_us=INSTANTS_US,
        wall_us=INSTANTS_US,
        daemon=st.just("") | NAMES,
    ),
    st.builds(
        Redated,
        printer=st.just("") | NAMES,
        at_us=INSTANTS_US,
        from_us=INSTANTS_US,
        until_us=INSTANTS_US,
        by_us=st.none() | st.integers(-(2**53) + 1, 2**53 - 1),
        by=texts(),
        reason=texts(),
    ),
    st.builds(
        Conflict,
        printer=st.just("") | NAMES,
        origin=ORIGINS,
        kind=st.sampled_from([BADGE_PRESENTED, RELEASE_STARTED, RELEASE_ENDED, PRINTER_NOTED]),
        digest=st.binary(min_size=32, max_size=32).map(bytes.hex),
    ),
    st.builds(FactDamaged, printer=st.just("") | NAMES, at_us=INSTANTS_US, number=FIGURES, kind=texts()),
    st.builds(
        GatewayChecked,
        ORIGINS,
        gateway=texts(),
        state=st.sampled_from(get_args(GatewayState)),
        check=texts(),
        why=texts(least=0),
    ),
    st.builds(
        SiteChecked, ORIGINS, texts(), st.sampled_from(get_args(SiteStanding)), INSTANTS_US, FIGURES, texts(least=0)
    ),
    st.builds(
        ReceiverChanged,
        ORIGINS,
        receiver=texts(),
        change=st.sampled_from(get_args(ReceiverChange)),
        target=texts(least=0),
    ),
    st.builds(LossAccepted, ORIGINS, st.sampled_from(get_args(Loss)), acknowledged=FIGURES, stored=FIGURES),
)
