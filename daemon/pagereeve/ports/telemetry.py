"""What the process shows of itself to the metrics and health pages: plain figures, collected on request."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal, Protocol, get_args

from pagereeve.domain.ledger import PageKey
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.queries import JournalHealth
from pagereeve.ports.spool import SpoolFigures

ReloadOutcome = Literal["applied", "refused", "failed"]
RELOAD_OUTCOMES: Final[tuple[ReloadOutcome, ...]] = get_args(ReloadOutcome)

PARTS = ("start", "journal", "tasks", "loop", "disk")
"""What must work before events are accepted, in the order in which it is shown."""


@dataclass(frozen=True, slots=True)
class PrinterTelemetry:
    """One printer. What is not known is absent or None, never 0.

    ``meter`` is the last good reading by channel, at ``last_reading_us``; ``up`` says whether the last read was good
    (None: not read yet); ``failed_reads`` how many failed in a row, ``late`` that the last one's answer came, too late.
    ``gateway`` is the box in front of it, "" where there is none. ``open_findings`` is by kind, kinds without one may
    be left out. ``pages`` is what accounts received since the journal began: the ledger's postings summed by channel
    and account kind; ``pages_waiting``, by channel, are counted since the last cut and in no account yet, and
    ``releases_waiting`` have no verdict.
    ``by_panel``: it has no meter that can be asked, and people read its panel.
    None of these is known before the printer's rows are read (``figures_known``): a 0 would be a lie, and then a rise.
    """

    printer: str
    meter: Mapping[str, int] = field(default_factory=dict)
    last_reading_us: int | None = None
    up: bool | None = None
    gateway: str = ""
    failed_reads: int = 0
    late: bool = False
    open_windows: int = 0
    settle_us: int | None = None
    open_findings: Mapping[str, int] = field(default_factory=dict)
    pages: Mapping[PageKey, int] = field(default_factory=dict)
    pages_waiting: Mapping[str, int] = field(default_factory=dict)
    releases_waiting: int = 0
    figures_known: bool = True
    by_panel: bool = False


@dataclass(frozen=True, slots=True)
class FeedTelemetry:
    """Counters of one feed, from 0 at the start. Every outcome and reason that can come must be there from the start.

    ``attempts_failed`` are requests that showed no credential that is known, by reason.
    ``connections_max`` and ``requests_max`` are how many may be open at once, 0 where the feed has no such limit;
    ``connections_refused`` is by reason. ``lost_lines`` are badge lines read but not accepted. ``relay_up`` says
    whether the relay is there (None where the feed has none), and ``relay_broken`` are its connections that failed or
    never reached the release server.
    """

    events: Mapping[str, int]
    refused: Mapping[str, int]
    attempts_failed: Mapping[str, int] = field(default_factory=dict)
    connections_open: int = 0
    connections_refused: Mapping[str, int] = field(default_factory=dict)
    connections_max: int = 0
    requests_open: int = 0
    requests_max: int = 0
    lost_lines: int = 0
    relay_up: bool | None = None
    relay_broken: int = 0


@dataclass(frozen=True, slots=True)
class ReceiverTelemetry:
    """One receiver of alerts. ``messages`` counts by outcome, from 0 at the start; the rest is the journal's."""

    messages: Mapping[str, int]
    waiting: int = 0
    oldest_us: int | None = None
    last_success_us: int | None = None


@dataclass(frozen=True, slots=True)
class ForwardingTelemetry:
    """One centre to which this site forwards. ``refused`` counts by trouble (every one there), ``forwarded`` the facts
    that were accepted, both from 0 at the start. ``behind`` is how many facts the centre has not got, None until it
    has answered. ``trouble`` says why nothing is forwarded now, "" where nothing is in the way. ``unanswered`` is how
    many facts a broker has, or had, of which the centre has not answered yet; None where there is no broker between.
    """

    refused: Mapping[str, int]
    forwarded: int = 0
    behind: int | None = None
    accepted_us: int | None = None
    trouble: str = ""
    unanswered: int | None = None


@dataclass(frozen=True, slots=True)
class SiteTelemetry:
    """One site that forwards to this daemon. ``refused`` counts its batches by cause, from 0 at the start; ``has``
    facts of it are here, and at ``heard_us`` it last said that it is ``behind`` by so many; None: not since the start.
    """

    refused: Mapping[str, int]
    has: int = 0
    behind: int | None = None
    heard_us: int | None = None


@dataclass(frozen=True, slots=True)
class MeterTelemetry:
    """What the meter counts about itself, from 0 at the start. ``reads`` is by result: ``reading`` or a SilenceReason.

    ``refused_datagrams`` and ``oddities`` (what printers and paths did that they should not) are by kind, every kind
    there from the start. ``receive_drops`` are datagrams that the kernel dropped before we saw them (None where it
    does not say).
    """

    reads: Mapping[str, int] = field(default_factory=dict)
    refused_datagrams: Mapping[str, int] = field(default_factory=dict)
    oddities: Mapping[str, int] = field(default_factory=dict)
    receive_drops: int | None = None


@dataclass(frozen=True, slots=True)
class GatewayTelemetry:
    """One gateway that is checked. ``up`` is its own sign of life (None: not looked at yet); ``changed_us`` (wall time)
    when that was last seen to become what it is, since the start.
    """

    up: bool | None = None
    changed_us: int | None = None


@dataclass(frozen=True, slots=True)
class EngineTelemetry:
    """The engine's counters, from 0 at the start; ``refused_badges`` (numbers that a form refused) is by reason,
    ``left_out`` (members of accepted events that were bad or not known) by member, ``titles`` (of jobs) by what became
    of them, every fate there.

    ``last_event_us`` (wall time) is by type of event, absent until one came. ``newest_us`` is the instant of the newest
    fact that the journal held at the start, None if it held none.
    """

    projections: int = 0
    rewinds: int = 0
    unavailable: int = 0
    refused_badges: Mapping[str, int] = field(default_factory=dict)
    left_out: Mapping[str, int] = field(default_factory=dict)
    titles: Mapping[str, int] = field(default_factory=dict)
    last_event_us: Mapping[str, int] = field(default_factory=dict)
    newest_us: int | None = None


@dataclass(frozen=True, slots=True)
class TaskTelemetry:
    """Supervised tasks by kind. ``ends`` counts those that ended unordered, ``success_us`` (wall time) is when one last
    came round, absent until one did.
    """

    restarts: Mapping[str, int] = field(default_factory=dict)
    ends: Mapping[str, int] = field(default_factory=dict)
    success_us: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ReloadTelemetry:
    """Reloads of the settings by outcome, from 0 at the start. ``trouble``: why the last is not in force, or ""."""

    outcomes: Mapping[str, int] = field(default_factory=lambda: dict.fromkeys(RELOAD_OUTCOMES, 0))
    success_us: int | None = None
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class ClockTelemetry:
    """``steps`` of the machine's wall clock since the start; ``ahead_us``: how far it is ahead of facts' dates.

    ``agreed``: these began with a clock that is right, as far as anybody knows.
    """

    steps: int = 0
    ahead_us: int = 0
    agreed: bool = True

    @property
    def ahead_s(self) -> int:
        """In whole seconds, as health pages say it: less is between two looks at two clocks."""
        return round(self.ahead_us / SECOND_US)


OverloadCause = Literal["write-wait", "write-queue", "projection-wait"]
"""By what it shows that more is asked of the daemon than it can do."""
OVERLOAD_CAUSES: Final[tuple[OverloadCause, ...]] = get_args(OverloadCause)


@dataclass(frozen=True, slots=True)
class OverloadTelemetry:
    """``causes`` of the overload, () while there is none, and what people are told of it, "" while there is none; how
    long the next printer in line has waited to project.
    """

    causes: tuple[OverloadCause, ...] = ()
    notice: str = ""
    projection_waiting_s: float = 0.0


@dataclass(frozen=True, slots=True)
class DiskTelemetry:
    """The disk of the journal. ``free_bytes`` is what is left for us, without what is kept back for root."""

    free_bytes: int
    size_bytes: int


@dataclass(frozen=True, slots=True)
class ProcessTelemetry:
    """All that the process shows of itself, each figure as its owner gave it.

    ``site_findings`` are open findings about badges, readers and feeds, by kind, every kind there. ``parts`` is as
    Readiness.parts says. ``loop_lag_s`` is by how much the event loop was late at the worst within the last minute.
    ``disk`` is None where it can't be asked. ``open_alerts`` are those that people were told of and that are not over,
    by severity. ``sign_ins`` are people's, by kind and outcome, every pair there. ``spool`` is that of a journal in a
    database, and empty beside one that is a file. ``forwarding`` is by the centre's name,
    ``sites`` by the site's. ``code`` says how the modules that cost most run: ``compiled``, ``plain`` Python, or
    ``changed`` after they were compiled.
    """

    version: str
    journal: JournalHealth
    code: str = "plain"
    feeds: Mapping[str, FeedTelemetry] = field(default_factory=dict)
    receivers: Mapping[str, ReceiverTelemetry] = field(default_factory=dict)
    meter: MeterTelemetry = MeterTelemetry()
    engine: EngineTelemetry = EngineTelemetry()
    tasks: TaskTelemetry = TaskTelemetry()
    clock: ClockTelemetry = ClockTelemetry()
    disk: DiskTelemetry | None = None
    loop_lag_s: float = 0.0
    parts: Mapping[str, str] = field(default_factory=dict)
    site_findings: Mapping[str, int] = field(default_factory=dict)
    open_alerts: Mapping[str, int] = field(default_factory=dict)
    reload: ReloadTelemetry = ReloadTelemetry()
    gateways: Mapping[str, GatewayTelemetry] = field(default_factory=dict)
    sign_ins: Mapping[tuple[str, str], int] = field(default_factory=dict)
    overload: OverloadTelemetry = OverloadTelemetry()
    spool: SpoolFigures = field(default_factory=SpoolFigures)
    forwarding: Mapping[str, ForwardingTelemetry] = field(default_factory=dict)
    sites: Mapping[str, SiteTelemetry] = field(default_factory=dict)


class MetricsSource(Protocol):
    """Called on the event loop; returns at once. What it returns is read by another thread and must not change."""

    def printers(self) -> Iterable[PrinterTelemetry]: ...

    def process(self) -> ProcessTelemetry: ...


class Readiness(Protocol):
    def parts(self) -> Mapping[str, str]:
        """Each part that must work before events are welcome: "" where it does, else why it does not."""
        ...

    def notices(self) -> Mapping[str, str]:
        """What somebody should look at though all works; empty where there is nothing."""
        ...

    def clock(self) -> ClockTelemetry: ...
