"""A printer, a recorder and a projector, driven by hypothesis: after every step every page lies in exactly one
account.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from pagereeve.domain.brackets.conservation import conserved
from pagereeve.domain.brackets.plateaus import record
from pagereeve.domain.facts.facts import (
    BadgePresented,
    Fact,
    Origin,
    PlateauRead,
    PolicySet,
    PrinterNoted,
    ReadFailed,
    ReleaseEnded,
    ReleaseStarted,
)
from pagereeve.domain.facts.in_force import Rules
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Count, Failure, PrinterState, Reading, Sight, SilenceReason, Unit
from pagereeve.domain.facts.ticket import Ticket
from pagereeve.domain.projection.projector import PrinterProjector, replay
from pagereeve.domain.values.instants import SECOND_US
from tests.property.keeping import Keeping

PRINTER = "invented-printer"
BEGIN_US = 1_800_000_000 * SECOND_US
POLICY = Policy(
    settle_us=10 * SECOND_US,
    unmoved_us=30 * SECOND_US,
    longest_us=300 * SECOND_US,
    longest_stalled_us=600 * SECOND_US,
    badge_within_us=60 * SECOND_US,
)
MODULUS = 10**6


class PrinterMachine(RuleBasedStateMachine):
    """The truth (``value``) and what a daemon learns of it; two books, one prompt and one that holds back."""

    @initialize(value=st.sampled_from([10, 5_000, MODULUS - 20]), modulus=st.sampled_from([2**32, MODULUS]))
    def begin(self, value: int, modulus: int) -> None:
        self.now_us = BEGIN_US
        self.value, self.modulus = value, modulus
        self.serial, self.booted_us = "K1", BEGIN_US - 3600 * SECOND_US
        self.errors: tuple[str, ...] = ()
        self.current: PlateauRead | ReadFailed | None = None
        self.facts: list[Fact] = []
        self.open: list[str] = []
        self.started = 0
        self.keepings = [Keeping(PRINTER, 0), Keeping(PRINTER, 60 * SECOND_US)]
        policy = replace(POLICY, modulus=modulus)
        self.tell(PolicySet(PRINTER, BEGIN_US - SECOND_US, policy))

    def tell(self, fact: Fact | None) -> None:
        if fact is not None:
            self.facts.append(fact)
        for keeping in self.keepings:
            keeping.take(fact, self.current)

    def origin(self, kind: str, late_s: int = 0) -> Origin:
        at_us = self.now_us - late_s * SECOND_US
        return Origin("urn:invented:server", f"{kind}-{len(self.facts)}", at_us, self.now_us, at_us)

    def take(self, result: Reading | Failure) -> None:
        recorded = record(PRINTER, self.current, result)
        self.current = recorded.current
        self.tell(recorded.sealed)

    @rule(seconds=st.sampled_from([1, 4, 11, 31, 120, 700]))
    def wait(self, seconds: int) -> None:
        self.now_us += seconds * SECOND_US

    @rule(pages=st.integers(1, 6))
    def print(self, pages: int) -> None:
        self.value += 0 if self.errors else pages

    @rule(
        state=st.sampled_from([PrinterState.IDLE, PrinterState.IDLE, PrinterState.PRINTING, PrinterState.OTHER]),
        glitch=st.sampled_from([None, None, None, None, 0]),
        channels=st.sampled_from([("total",), ("total",), ("mono", "total")]),
    )
    def read(self, state: PrinterState, glitch: int | None, channels: tuple[str, ...]) -> None:
        total = self.value % self.modulus if glitch is None else glitch
        counts = tuple((name, Count(total // (2 if name == "mono" else 1), Unit.IMPRESSIONS)) for name in channels)
        sent_us = self.now_us
        self.now_us += SECOND_US // 10
        uptime_cs = (self.now_us - self.booted_us) // 10_000 % 2**32
        sight = Sight(counts, self.serial, "1.3.6.1.4.1.99999.1", state, self.errors)
        self.take(Reading(sent_us, self.now_us, sight, uptime_cs))

    @rule()
    def rest(self) -> None:
        for _ in range(4):
            self.now_us += 5 * SECOND_US
            self.read(PrinterState.IDLE, None, ("total",))

    @rule()
    def fail(self) -> None:
        self.now_us += 2 * SECOND_US
        self.take(Failure(self.now_us - 2 * SECOND_US, self.now_us, SilenceReason.TIMEOUT))

    @rule(pages=st.none() | st.integers(0, 5), late_s=st.sampled_from([0, 0, 0, 5, 40, 400]), again=st.booleans())
    def start(self, pages: int | None, late_s: int, again: bool) -> None:
        if not (again and self.open):
            self.started += 1
            self.open.append(f"r{self.started}")
        name = self.open[-1]
        ticket = Ticket(pages=pages, copies=1, sides="two-sided-long-edge", number_up=1)
        self.tell(ReleaseStarted(PRINTER, self.origin("start", late_s), name, "j", "ann", ticket=ticket))

    @precondition(lambda self: self.open)
    @rule(data=st.data(), late_s=st.sampled_from([0, 0, 3, 60]), outcome=st.sampled_from(["completed", "cancelled"]))
    def end(self, data: Any, late_s: int, outcome: Any) -> None:
        name = self.open.pop(data.draw(st.integers(0, len(self.open) - 1)))
        self.tell(ReleaseEnded(PRINTER, self.origin("end", late_s), name, outcome))

    @rule(late_s=st.sampled_from([0, 30, 500]))
    def badge(self, late_s: int) -> None:
        self.tell(BadgePresented(PRINTER, self.origin("badge", late_s), "b-invented", "gw"))

    @rule(
        note=st.sampled_from(["maintenance-begun", "maintenance-ended", "meter-replaced"]),
        late_s=st.sampled_from([0, 90]),
    )
    def note(self, note: Any, late_s: int) -> None:
        self.tell(PrinterNoted(PRINTER, self.origin("note", late_s), note))

    @rule()
    def jam_or_clear(self) -> None:
        self.errors = () if self.errors else ("jammed",)

    @rule(lost=st.integers(0, 9))
    def power_cut(self, lost: int) -> None:
        self.now_us += 30 * SECOND_US
        self.value = max(0, self.value - lost)
        self.booted_us = self.now_us

    @rule(value=st.integers(0, 9000))
    def replace(self, value: int) -> None:
        self.serial = f"K{int(self.serial[1:]) + 1}"
        self.value, self.booted_us = value, self.now_us

    @rule()
    def restart_the_daemon(self) -> None:
        for keeping in self.keepings:
            keeping.begin_again()

    @invariant()
    def every_page_is_in_exactly_one_account_and_the_books_agree(self) -> None:
        whole = replay(PRINTER, self.facts, self.current)
        for keeping in self.keepings:
            assert keeping.ledger() == whole
        projector = PrinterProjector(PRINTER, Rules.of(self.facts))
        for fact in self.facts:
            projector.add(fact)
        projector.open_run(self.current)
        seen = projector.projected()
        lines = conserved(PRINTER, seen.runs.runs, seen.windows, whole.postings)
        assert [line for line in lines if not line.ok] == []


TestPrinterMachine = PrinterMachine.TestCase
TestPrinterMachine.settings = settings(
    settings(), max_examples=max(60, settings().max_examples // 3), stateful_step_count=50,
    suppress_health_check=list(HealthCheck), deadline=None,
)  # fmt: skip
