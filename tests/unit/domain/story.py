"""A printer's story in a few lines: readings, releases and notes at seconds of an invented day, and its ledger."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from pagereeve.domain.brackets.conservation import conserved
from pagereeve.domain.brackets.plateaus import record
from pagereeve.domain.facts.facts import (
    Action,
    BadgePresented,
    ClockMark,
    Conflict,
    CounterChosen,
    Decided,
    Fact,
    Note,
    Origin,
    Outcome,
    PlateauRead,
    PolicySet,
    PrinterNoted,
    ReadFailed,
    Reason,
    ReleaseEnded,
    ReleaseStarted,
    SettleLearned,
    UnitLearned,
)
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.jobs import JobCounted, JobCounts, JobState, Within
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import (
    Count,
    Counter,
    Failure,
    GatewayWord,
    PrinterState,
    Reading,
    Sight,
    SilenceReason,
    Unit,
)
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.ledger import Charge, Finding, ReleaseKey, Stretch
from pagereeve.domain.projection.projector import Ledger, PrinterProjector, rebuild, replay
from pagereeve.domain.values.instants import SECOND_US
from tests.property.keeping import Keeping

DAY_US = 1_750_000_000 * SECOND_US
PRINTER = "invented-printer"
SERVER = "urn:invented:server"
OBJECT_ID = "1.3.6.1.4.1.99999.1"
BOOTED_S = -36_000.0
POLICY = Policy(settle_us=10 * SECOND_US, unmoved_us=60 * SECOND_US)


def at_us(second: float) -> int:
    return DAY_US + round(second * SECOND_US)


def impressions(**values: int) -> dict[str, Count]:
    return {name: Count(value, Unit.IMPRESSIONS) for name, value in values.items()}


@dataclass
class Story:
    """Without a policy of its own the printer is in nobody's registry: give ``policy=None`` for that."""

    policy: Policy | None = POLICY
    printer: str = PRINTER
    serial: str = "K1"
    facts: list[Fact] = field(default_factory=list)
    current: PlateauRead | ReadFailed | None = None
    steps: list[tuple[Fact | None, PlateauRead | ReadFailed | None]] = field(default_factory=list)
    booted_s: float = BOOTED_S
    _last: str = ""

    def __post_init__(self) -> None:
        if self.policy is not None:
            self.set_policy(-3600, self.policy)

    def _add(self, fact: Fact) -> None:
        self.facts.append(fact)
        self.steps.append((fact, self.current))

    def set_policy(self, second: float, policy: Policy) -> None:
        self._add(PolicySet(self.printer, at_us(second), policy))

    def learned(
        self,
        second: float,
        settle_s: float,
        *,
        state_believed: bool = True,
        units: tuple[UnitLearned, ...] = (),
        chosen: tuple[CounterChosen, ...] = (),
    ) -> None:
        learnt_us = round(settle_s * SECOND_US)
        self._add(SettleLearned(self.printer, at_us(second), learnt_us, state_believed, units, chosen))

    def reading(
        self,
        second: float,
        total: int | None = None,
        *,
        counts: Mapping[str, Count] | None = None,
        state: str = "idle",
        errors: tuple[str, ...] = (),
        serial: str | None = None,
        unit: Unit = Unit.IMPRESSIONS,
        power_on: int | None = None,
        took_s: float = 0.1,
        counters: tuple[Counter, ...] = (),
    ) -> None:
        """One good answer: asked for at ``second``, in hand ``took_s`` later."""
        known = dict(counts or {}) if total is None else {"total": Count(total, unit), **(counts or {})}
        sight = Sight(
            tuple(sorted(known.items())),
            self.serial if serial is None else serial,
            OBJECT_ID,
            PrinterState(state),
            errors,
            counters=counters,
        )
        uptime_cs = round((second + took_s - self.booted_s) * 100) % 2**32
        self._take(Reading(at_us(second), at_us(second + took_s), sight, uptime_cs, power_on))

    def rest(self, first: float, last: float, total: int | None, every: float = 5, **more: Any) -> None:
        """Equal readings from ``first`` to ``last``."""
        second = first
        while second < last:
            self.reading(second, total, **more)
            second += every
        self.reading(last, total, **more)

    def failed(
        self, second: float, reason: str = "timeout", *, tries: int = 1, responder: str = "", gateway: GatewayWord = ""
    ) -> None:
        for nth in range(tries):
            sent_us = at_us(second + 3 * nth)
            self._take(Failure(sent_us, sent_us + 2 * SECOND_US, SilenceReason(reason), "", responder, gateway))

    def _take(self, result: Reading | Failure) -> None:
        recorded = record(self.printer, self.current, result)
        self.current = recorded.current
        if recorded.sealed is not None:
            self.facts.append(recorded.sealed)
        self.steps.append((recorded.sealed, recorded.current))

    def restart(self, second: float) -> None:
        """The printer's uptime begins anew."""
        self.booted_s = second

    def release(
        self,
        second: float,
        name: str = "",
        *,
        pages: int | None = 1,
        copies: int | None = 1,
        sides: str | None = "one-sided",
        number_up: int | None = 1,
        separator_sheets: int | None = 0,
        color_mode: str | None = None,
        media: str | None = None,
        owner: str = "",
        job: str = "",
        badge: str = "",
        received_s: float | None = None,
        event: str = "",
        source: str = SERVER,
        clock: ClockMark = "",
        occurred_us: int | None = None,
        printer_job: int | None = None,
    ) -> ReleaseKey:
        name = name or f"r{sum(isinstance(fact, ReleaseStarted) for fact in self.facts) + 1}"
        said = {"copies": copies, "number_up": number_up, "pages": pages, "sides": sides}
        unknown = tuple(name for name, value in said.items() if value is None)
        ticket = Ticket(pages, copies, sides, number_up, color_mode, media, separator_sheets, unknown=unknown)  # type: ignore[arg-type]
        start_us = at_us(second)
        received_us = start_us + 1000 if received_s is None else at_us(received_s)
        origin = Origin(source, event or f"{name}-start", start_us, received_us, occurred_us or start_us, clock)
        job, owner = job or f"job-{name}", owner or f"owner-{name}"
        started = ReleaseStarted(self.printer, origin, name, job, owner, badge=badge, ticket=ticket)
        self._add(replace(started, printer_job=printer_job))
        self._last = name
        return ReleaseKey(source, name)

    def ended(
        self,
        second: float,
        name: str = "",
        *,
        outcome: Outcome = "completed",
        pages_sent: int | None = None,
        event: str = "",
        source: str = SERVER,
    ) -> None:
        name = name or self._last
        end_us = at_us(second)
        origin = Origin(source, event or f"{name}-end", end_us, end_us + 1000, end_us)
        self._add(ReleaseEnded(self.printer, origin, name, outcome, pages_sent))

    def job(
        self,
        second: float,
        number: int,
        state: JobState,
        made: int | None = None,
        *,
        began: tuple[float, float] | None,
        ended: tuple[float, float] | None = None,
        **more: Any,
    ) -> None:
        """What the printer says of one of its jobs: asked for at ``second``, in hand 0.1 s later."""
        spans = [None if span is None else Within(at_us(span[0]), at_us(span[1])) for span in (began, ended)]
        counts, sent_us = JobCounts(impressions=made), at_us(second)
        said = JobCounted(self.printer, "snmp", number, sent_us, sent_us + SECOND_US // 10, state, 1, counts=counts)
        self._add(replace(said, began=spans[0], ended=spans[1], **more))

    def badge(self, second: float, badge: str = "b-invented") -> None:
        origin = Origin("urn:invented:gateway", f"badge-{second}", at_us(second), at_us(second))
        self._add(BadgePresented(self.printer, origin, badge, "gw-1"))

    def noted(self, second: float, note: Note, text: str = "") -> None:
        origin = Origin("urn:invented:desk", f"{note}-{second}", at_us(second), at_us(second))
        self._add(PrinterNoted(self.printer, origin, note, text))

    def decided(
        self, second: float, finding: str, action: Action, reason: Reason | Literal[""] = "", text: str = ""
    ) -> None:
        origin = Origin("urn:invented:desk", f"{finding}-{second}", at_us(second), at_us(second))
        self._add(Decided(self.printer, origin, finding, action, "an auditor", reason, text))

    def conflict(self, second: float, event: str, *, source: str = SERVER, digest: str = "0" * 64) -> Conflict:
        origin = Origin(source, event, at_us(second), at_us(second))
        conflict = Conflict(self.printer, origin, "pagereeve.release.started.v1", digest)
        self._add(conflict)
        return conflict

    def ledger(self) -> Ledger:
        """The ledger; whatever the story is, it must add up and come out the same in one piece and in steps."""
        ledger = replay(self.printer, self.facts, self.current)
        assert Ledger.of(rebuild(self.printer, self.facts, self.current)) == ledger
        assert replay(self.printer, [*reversed(self.facts), *self.facts], self.current) == ledger
        for hold_back_s in (0, 60):
            keeping = Keeping(self.printer, hold_back_s * SECOND_US)
            for fact, current in self.steps:
                keeping.take(fact, current)
            assert keeping.ledger() == ledger
        projector = PrinterProjector(self.printer, Rules.of(self.facts))
        for fact in self.facts:
            projector.add(fact)
        projector.open_run(self.current)
        whole = projector.projected()
        lines = conserved(self.printer, whole.runs.runs, whole.windows, ledger.postings)
        assert [line for line in lines if not line.ok] == []
        return ledger


def charge(ledger: Ledger, name: str, channel: str = "total") -> Charge:
    (found,) = [one for one in ledger.charges if one.release.release == name and one.channel == channel]
    return found


def brackets(ledger: Ledger, channel: str = "total") -> list[Stretch]:
    return [one for one in ledger.stretches if one.releases and one.channel == channel]


def gaps(ledger: Ledger, channel: str = "total") -> list[Stretch]:
    return [one for one in ledger.stretches if not one.releases and one.channel == channel]


def names_in(stretch: Stretch) -> list[str]:
    return [key.release for key in stretch.releases]


def kinds(ledger: Ledger) -> list[str]:
    return sorted(one.kind for one in ledger.findings)


def finding(ledger: Ledger, kind: str) -> Finding:
    (found,) = [one for one in ledger.findings if one.kind == kind]
    return found


def accounts(ledger: Ledger, channel: str = "total") -> dict[str, int]:
    """What each account received, the meter's own left out."""
    received: dict[str, int] = {}
    for posting in ledger.postings:
        if posting.channel == channel:
            for name, pages in posting.legs:
                if not name.startswith("meter:"):
                    received[name] = received.get(name, 0) + pages
    return received


def printed(
    story: Story, second: float, before: int, after: int, *, pages: int | None, took_s: float = 6, **ticket: Any
) -> ReleaseKey:
    """The usual course: a fresh reading, a release, its end soon after, and a rest of 24 s."""
    story.reading(second - 1, before)
    key = story.release(second, pages=pages, **ticket)
    story.ended(second + 3)
    story.reading(second + 4, before, state="printing")
    story.rest(second + took_s, second + took_s + 24, after)
    return key
