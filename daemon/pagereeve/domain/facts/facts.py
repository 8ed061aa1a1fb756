"""Something that happened, stored once and never changed. One dataclass a kind; ``Fact`` is their union."""

from __future__ import annotations

from dataclasses import field
from typing import Final, Literal

from pagereeve.domain.facts.closed import ClosingFact, FactsArchived, PeriodClosed
from pagereeve.domain.facts.erased import Erased
from pagereeve.domain.facts.jobs import JobCounted
from pagereeve.domain.facts.names_shown import NamesShown
from pagereeve.domain.facts.noted_reading import NotedReading
from pagereeve.domain.facts.page_decision import PageDecision
from pagereeve.domain.facts.people import MergeUndone, PeopleFact, PeopleMerged, PersonNamed
from pagereeve.domain.facts.policy import BadgePolicy, Policy
from pagereeve.domain.facts.reading import Plateau, Silence, Unit
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.values.records import dataclass

Outcome = Literal["completed", "cancelled", "aborted", "replaced"]
"""How a release ended. ``replaced``: it never was one, as the notice that corrects its start says; no sender does."""
REPLACED: Final = "replaced"
BadgeOutcome = Literal["accepted", "refused", "unknown", "nothing-held", "failed", "other"]
"""What a release server answered to a badge. Any other text counts as ``other``, and nothing else of it is kept."""
Note = Literal["maintenance-begun", "maintenance-ended", "meter-replaced", "moved", "test-pages", "proven"]
ClockMark = Literal["", "corrected", "behind", "implausible-past", "future", "missing", "not-agreed"]
"""Why an event counts from another instant than it claims; ``not-agreed``: our own clock could not judge its claim."""
ClockChange = Literal["started", "not-agreed", "stepped", "returned"]
"""A boot of the daemon began, with a clock that is agreed or is not; the wall clock stepped away from our dates, or
came back.
"""
Action = Literal["explain", "close", "book", "reopen"]
"""``book``: the releases that a finding about an unknown printer names were made at another one."""
Reason = Literal[
    "jam",
    "misfeed",
    "power-loss",
    "lost-reading",
    "late-notice",
    "maintenance",
    "test-page",
    "replaced",
    "banner",
    "blank-back",
    "walk-up-copy",
    "bypass",
    "other",
]
"""What a difference came of, as a person says it."""

AnswerReading = Literal["in-hand", "failed", "not-waited"]
"""What became of the reading that a gated start waited for; ``not-waited``: none was in hand in time."""
AnswerRest = Literal["", "rested", "not-rested"]
"""Whether the releases answered before it had come to rest; empty where the sender did not wait for that."""

Loss = Literal["fewer-facts", "older-copy", "other-facts", "unreadable-note", "no-journal", "lines-lost"]
"""How it shows that a journal lacks what was acknowledged. ``lines-lost``: badge lines found no room meanwhile."""
ReceiverChange = Literal["retired", "resumed"]
"""A receiver of alerts wants nothing more (RFC 9110 section 15.5.11, 410); or its settings are others, or a person said
so.
"""
UNIT_RELEASES_MAX: Final = 20
GatewayState = Literal["down", "up"]
"""Two checks of a gateway in a row failed; or one succeeded since."""
SiteStanding = Literal["whole", "behind", "silent", "refused"]
"""All that a site sealed is here; or, for long, not all is: it is heard, is heard no more, or its facts are refused."""
ChoiceReason = Literal["moves-with-releases", "prints-before-total", "standard-default", "set-by-a-person"]
"""Why a counter stands for a channel."""
JOURNAL_SOURCE: Final = "urn:pagereeve:journal"
"""The source of what the journal says of itself, and of what became of those that it sends alerts to."""


@dataclass(frozen=True, slots=True)
class Origin:
    """Where an event came from: ``key``, of source and id, is its identity.

    ``occurred_us`` is the source's claim, ``received_us`` ours. ``at_us``, decided once when it is received, is the
    instant every later step uses; ``clock`` says why it differs from the claim, if it does.
    """

    source: str
    id: str
    at_us: int
    received_us: int
    occurred_us: int | None = None
    clock: ClockMark = ""

    @property
    def key(self) -> tuple[str, str]:
        return (self.source, self.id)

    @property
    def order(self) -> tuple[int, str, str]:
        """By instant; equal instants by identity, so that arrival never decides."""
        return (self.at_us, self.source, self.id)


@dataclass(frozen=True, slots=True)
class BadgePresented:
    """``badge`` is already the keyed hash of the badge number; the number itself is never a fact.

    ``resembles`` names the style in which a badge that nobody owns would be somebody's: said, never applied.
    """

    printer: str
    origin: Origin
    badge: str
    gateway: str
    reader: str = ""
    outcome: BadgeOutcome | Literal[""] = ""
    resembles: str = ""


@dataclass(frozen=True, slots=True)
class ReleaseStarted:
    """``was`` is the job's name before it was moved or forwarded, as its source says: shown, and nothing is merged.

    ``replaces`` names the release of its source whose notice this one corrects: that one is no release then.
    ``printer_job`` is the number that the job has at the printer.
    """

    printer: str
    origin: Origin
    release: str
    job: str
    owner: str
    gateway: str = ""
    badge: str = ""
    queue: str = ""
    ticket: Ticket = field(default_factory=Ticket)
    was: str = ""
    replaces: str = ""
    printer_job: int | None = None


@dataclass(frozen=True, slots=True)
class ReleaseEnded:
    printer: str
    origin: Origin
    release: str
    outcome: Outcome
    pages_sent: int | None = None


@dataclass(frozen=True, slots=True)
class PrinterNoted:
    """``by`` is whose credential said it; empty where none was asked for."""

    printer: str
    origin: Origin
    note: Note
    text: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True)
class PlateauRead:
    printer: str
    plateau: Plateau


@dataclass(frozen=True, slots=True)
class ReadFailed:
    printer: str
    silence: Silence


@dataclass(frozen=True, slots=True)
class PolicySet:
    printer: str
    at_us: int
    policy: Policy


@dataclass(frozen=True, slots=True)
class ShownBy:
    """A release that shows what was learnt."""

    source: str
    release: str


@dataclass(frozen=True, slots=True)
class UnitLearned:
    """What a counter of unknown unit steps in, as releases show: two-sided ones, each alone in its bracket.

    ``object`` names the counter as Count.object does. ``unit`` is unknown again where later ``releases`` contradict
    what was learnt.
    """

    channel: str
    object: str
    unit: Unit
    releases: tuple[ShownBy, ...] = ()


@dataclass(frozen=True, slots=True)
class CounterChosen:
    """Which of a printer's counters stands for a channel, and why: ``object`` names it as Counter.object does."""

    channel: str
    object: str
    reason: ChoiceReason


@dataclass(frozen=True, slots=True)
class SettleLearned:
    """What a printer's own behaviour shows of it: its settle time, whether its state is believed, its units, and which
    of its counters lives.

    A state that stays at *printing* or *warming up* while the count stands where it should is not believed. ``units``
    are in order of channel and object. ``chosen``, in order of channel: the counters that stand for channels from then
    on, where they are others than a reading's own choice; and that choice itself (``standard-default``) for the record.
    """

    printer: str
    at_us: int
    settle_us: int
    state_believed: bool = True
    units: tuple[UnitLearned, ...] = ()
    chosen: tuple[CounterChosen, ...] = ()


@dataclass(frozen=True, slots=True)
class ReleaseAnswered:
    """A start notice whose sender waited was answered at ``at_us``: its job is let go from then on, and not before.

    ``source`` and ``id`` name the notice, ``started_us`` is its instant. ``reading`` says what became of the reading
    asked for, ``rest`` whether the releases answered before it had come to rest ("": the sender did not ask).
    """

    printer: str
    at_us: int
    source: str
    id: str
    started_us: int
    reading: AnswerReading
    rest: AnswerRest = ""

    @property
    def notice(self) -> tuple[str, str]:
        """The identity of the start notice."""
        return (self.source, self.id)


@dataclass(frozen=True, slots=True)
class BadgeUnreadable:
    """A reader gave what its form refuses; nothing of the number is kept. Concerns no printer (``printer`` is "")."""

    origin: Origin
    gateway: str
    reason: str
    reader: str = ""
    printer: str = ""


@dataclass(frozen=True, slots=True)
class ClockChanged:
    """What the machine's wall clock showed beside our own dates, in one boot of the daemon; of no printer. Dates are
    the boot's anchor and the time since then on a clock that never steps, ``monotonic_us`` at this fact. The wall clock
    showed ``wall_us``, where ``before_us`` was expected. ``daemon``: which of several; "": the only one.
    """

    origin: Origin
    boot: str
    change: ClockChange
    monotonic_us: int
    before_us: int
    wall_us: int
    printer: str = ""
    daemon: str = ""

    @property
    def size_us(self) -> int:
        """By how much the wall clock stepped; below 0 where it was set back."""
        return self.wall_us - self.before_us

    @property
    def ahead_us(self) -> int:
        """How far the wall clock is ahead of our dates."""
        return self.wall_us - self.origin.at_us


@dataclass(frozen=True, slots=True)
class Redated:
    """The timeline's facts that our clock had dated from ``from_us`` on, and before ``until_us``, and that were stored
    before this one, are ``by_us`` later. Without that, what the meter showed then is void.

    ``by`` says so, and why; a fact of a printer, or of none (``printer`` is "").
    """

    printer: str
    at_us: int
    from_us: int
    until_us: int
    by_us: int | None
    by: str
    reason: str


@dataclass(frozen=True, slots=True)
class Bound:
    """From ``at_us`` on, and before ``until_us``, the badge (a keyed hash) is the owner's. Concerns no printer.

    ``known_us`` is when a directory said so.
    """

    at_us: int
    badge: str
    owner: str
    known_us: int
    until_us: int | None = None
    printer: str = ""


@dataclass(frozen=True, slots=True)
class Registered:
    """From ``at_us`` on, the printer of that name is behind the gateway. Of the site (``printer`` is "")."""

    at_us: int
    name: str
    gateway: str
    printer: str = ""


@dataclass(frozen=True, slots=True)
class BadgePolicySet:
    """The rules by which badges and feeds are judged from ``at_us`` on. Concerns no printer."""

    at_us: int
    policy: BadgePolicy
    printer: str = ""


@dataclass(frozen=True, slots=True)
class Assigned:
    """From ``at_us`` on, the owner's pages belong to the cost centre. Concerns no printer (``printer`` is "")."""

    at_us: int
    owner: str
    cost_centre: str
    printer: str = ""


@dataclass(frozen=True, slots=True)
class Decided:
    """What a person said about a finding: ``explain`` says what it came of, ``close`` that nothing is left to do,
    ``reopen`` that what was said before counts no more. ``at`` is the printer at which its releases are booked.
    """

    printer: str
    origin: Origin
    finding: str
    action: Action
    by: str
    reason: Reason | Literal[""] = ""
    text: str = ""
    at: str = ""


@dataclass(frozen=True, slots=True)
class PagesDecided:
    """Rows of the projection stay as they are: domain.accounts.decisions says what follows. ``by`` as in PrinterNoted.

    ``printer`` is that of the pages; the sender says it of a gap alone.
    """

    printer: str
    origin: Origin
    by: str
    said: PageDecision


@dataclass(frozen=True, slots=True)
class ReadingNoted:
    """``origin.at_us`` is when the figure was read; what takes one back stands at the same instant. ``by`` as in
    PrinterNoted.
    """

    printer: str
    origin: Origin
    by: str
    said: NotedReading


@dataclass(frozen=True, slots=True)
class Conflict:
    """An event whose identity was known already, with other data: kept aside, never applied."""

    printer: str
    origin: Origin
    kind: str
    digest: str


@dataclass(frozen=True, slots=True)
class LossAccepted:
    """The journal lacks what was acknowledged, and somebody went on without it; or lines were lost. Of no printer.

    ``acknowledged`` and ``stored`` count the facts that there were, and that were found.
    """

    origin: Origin
    loss: Loss
    acknowledged: int
    stored: int
    printer: str = ""


@dataclass(frozen=True, slots=True)
class ReceiverChanged:
    """A receiver of alerts said that it wants nothing more, or is sent to again. Concerns no printer.

    ``target`` is a digest of its settings then, "" of one that has none any more: where they are others, it is another
    one to send to.
    """

    origin: Origin
    receiver: str
    change: ReceiverChange
    target: str = ""
    printer: str = ""


@dataclass(frozen=True, slots=True)
class GatewayChecked:
    """The check of a gateway's own sign of life came out otherwise than before. Concerns no printer.

    ``check`` says how it is looked for (``tcp 192.0.2.10:22``), ``why`` what came of it where it failed.
    """

    origin: Origin
    gateway: str
    state: GatewayState
    check: str
    why: str = ""
    printer: str = ""


@dataclass(frozen=True, slots=True)
class SiteChecked:
    """How much is here of what a site forwards came out otherwise than before, or another day began. Of no printer.

    ``known_us``: all that it had sealed by then is here (0: never yet); ``place`` facts of it are. ``why`` its batches
    are refused.
    """

    origin: Origin
    site: str
    state: SiteStanding
    known_us: int
    place: int
    why: str = ""
    printer: str = ""


@dataclass(frozen=True, slots=True)
class FactDamaged:
    """Where a fact stood that can't be read any more: its printer, its number, when it was, and what kind it was.

    Never written: whoever reads the journal makes it, in the place of the fact.
    """

    printer: str
    at_us: int
    number: int
    kind: str

    @property
    def origin(self) -> Origin:
        return Origin(JOURNAL_SOURCE, f"damaged-{self.number}-{self.printer}", self.at_us, self.at_us)


ReleaseNotice = ReleaseStarted | ReleaseEnded
Event = BadgePresented | ReleaseNotice | PrinterNoted | ReadingNoted | Decided | PagesDecided
ReadFact = PlateauRead | ReadFailed | JobCounted
SetFact = PolicySet | SettleLearned | Assigned | Registered | Bound | BadgePolicySet
JournalEvent = LossAccepted | ReceiverChanged | GatewayChecked | SiteChecked
"""What the journal says of itself and of those around it, each with an identity of its own."""
KeptFact = ReleaseAnswered | Redated | Conflict | Erased | ClosingFact | NamesShown | PeopleFact | FactDamaged
Fact = Event | ReadFact | SetFact | BadgeUnreadable | ClockChanged | JournalEvent | KeptFact

# A union written in place would be built again at each call.
_DATED: Final = (
    *(PolicySet, SettleLearned, ReleaseAnswered, Assigned, Registered, Bound, BadgePolicySet, Redated, Erased),
    *(PersonNamed, PeopleMerged, MergeUndone, PeriodClosed, FactsArchived, NamesShown),
)


def instant_us(fact: Fact) -> int:
    """When the fact begins to matter on its printer's timeline."""
    if isinstance(fact, PlateauRead):
        return fact.plateau.first_received_us
    if isinstance(fact, ReadFailed):
        return fact.silence.first_sent_us
    if isinstance(fact, JobCounted):
        return fact.sent_us
    if isinstance(fact, _DATED):
        return fact.at_us
    return fact.origin.at_us
