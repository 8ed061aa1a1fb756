"""The demo's judge can say no, and its table shows what a watcher knows."""

from __future__ import annotations

import io
from dataclasses import replace

from rich.console import Console

from pagereeve.demo.judgement import judge
from pagereeve.demo.live_view import printer_table
from pagereeve.domain.facts.reading import Count, Failure, PrinterState, Reading, Sight, SilenceReason, Unit
from pagereeve.domain.ledger import Finding, Posting
from pagereeve.engine.counters import EngineCounters
from pagereeve.engine.printers.polling import PollPolicy
from pagereeve.engine.printers.watcher import PrinterWatcher, WatcherContext
from pagereeve.simulator.college.scenario import Planted
from pagereeve.simulator.printer.model import Truth
from pagereeve.store.memory.journal import MemoryJournal
from tests.findings import said
from tests.unit.engine.virtual import SeededEntropy, VirtualClock
from tests.unit.engine.world import FakeMeter

PLANTED = Planted("four pages past the queue", 3.0, "p", (("stray-pages", "p"),), (("printer-restarted", "p"),))
STRAY = Finding("f-1", "stray-pages", "warning", "p", 1, None, "open", said("4 impressions counted without a release"))
POSTING = Posting("p", 1, "total", 1, 2, (("meter:p", -7), ("house:stray", 4), ("person:user-anise", 3)))
TRUTH = {"p": Truth(marked=7)}


class StandingClock(VirtualClock):
    def now_us(self) -> int:
        return 10_000_000


def test_all_found_and_every_page_accounted_for_is_good() -> None:
    judgement = judge([PLANTED], [STRAY], [POSTING], TRUTH)
    assert judgement.good
    (line,) = judgement.pages
    assert (line.people, line.house, line.accounted) == (3, 4, 7)


def test_what_may_come_along_is_no_fault() -> None:
    restarted = replace(STRAY, id="f-2", kind="printer-restarted")
    assert judge([PLANTED], [STRAY, restarted], [POSTING], TRUTH).good


def test_a_planted_fault_that_was_not_found_is_named() -> None:
    judgement = judge([PLANTED], [], [POSTING], TRUTH)
    assert not judgement.good
    assert judgement.faults[0].missing == ("stray-pages at p",)


def test_a_finding_that_nobody_planted_is_not_good() -> None:
    other = replace(STRAY, id="f-2", printer="q")
    judgement = judge([PLANTED], [STRAY, other], [POSTING], TRUTH)
    assert not judgement.good
    assert judgement.unplanted == (other,)


def test_a_page_unaccounted_for_is_not_good() -> None:
    assert not judge([PLANTED], [STRAY], [POSTING], {"p": Truth(marked=8)}).good


def test_the_table_shows_meter_state_and_age() -> None:
    clock = StandingClock()
    around = WatcherContext(
        MemoryJournal(), FakeMeter(clock, {}), clock, SeededEntropy(), PollPolicy(), EngineCounters()
    )
    sight = Sight((("total", Count(1234, Unit.IMPRESSIONS)),), state=PrinterState.PRINTING, errors=("lowPaper",))
    good = Reading(7_900_000, 8_000_000, sight)
    busy, lost = (PrinterWatcher(name, around, seen=good) for name in ("busy", "lost"))
    busy.recorder.note(good)
    lost.recorder.note(Failure(9_000_000, 9_500_000, SilenceReason.TIMEOUT))
    console = Console(width=120, record=True, file=io.StringIO())
    console.print(printer_table([busy, lost, PrinterWatcher("new", around)]))
    shown = console.export_text()
    assert "1,234" in shown
    assert "printing lowPaper" in shown
    assert "2.0 s ago" in shown
    assert "timeout" in shown
    assert "not read yet" in shown
