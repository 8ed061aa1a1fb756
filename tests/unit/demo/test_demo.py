"""The demo's judge can say no, and its table shows what a watcher knows."""

from __future__ import annotations

import io
from dataclasses import replace

from rich.console import Console

from pagereeve.app.replay import ReplayReport
from pagereeve.demo.found import FindingWatch, Found
from pagereeve.demo.judgement import judge
from pagereeve.demo.live_view import LEAST_HEIGHT, LEAST_WIDTH, holds_picture, picture, printer_table
from pagereeve.demo.report import DayResult, report_answer
from pagereeve.domain.facts.reading import Count, Failure, PrinterState, Reading, Sight, SilenceReason, Unit
from pagereeve.domain.ledger import Finding, Posting
from pagereeve.engine.counters import EngineCounters
from pagereeve.engine.printers.context import WatcherContext
from pagereeve.engine.printers.polling import PollPolicy
from pagereeve.engine.printers.watcher import PrinterWatcher
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


def a_console(width: int = LEAST_WIDTH, height: int = LEAST_HEIGHT, *, terminal: bool = True) -> Console:
    return Console(
        width=width, height=height, force_terminal=terminal, file=io.StringIO(), record=True, _environ={"TERM": "xterm"}
    )


def watchers_of_ten() -> list[PrinterWatcher]:
    clock = StandingClock()
    around = WatcherContext(
        MemoryJournal(), FakeMeter(clock, {}), clock, SeededEntropy(), PollPolicy(), EngineCounters()
    )
    sight = Sight(
        (("total", Count(999_999_999, Unit.IMPRESSIONS)),), state=PrinterState.PRINTING, errors=("jammed",) * 9
    )
    good = Reading(7_900_000, 8_000_000, sight)
    watchers = [PrinterWatcher(f"a-printer-{nth}", around, seen=good) for nth in range(10)]
    for watcher in watchers:
        watcher.recorder.note(good)
    return watchers


def test_the_picture_fits_a_small_terminal_and_keeps_the_newest_lines() -> None:
    for height in (LEAST_HEIGHT, 40):
        console = a_console(height=height)
        happened, found = ([f"{what} {nth} {'x' * 90}" for nth in range(100)] for what in ("step", "finding"))
        console.print(picture("the day", watchers_of_ten(), happened, found, height))
        lines = console.export_text().splitlines()
        assert len(lines) == height - 1
        assert max(map(len, lines)) <= LEAST_WIDTH
        shown = "\n".join(lines)
        assert "step 99" in shown
        assert "finding 99" in shown
        assert "step 90 " not in shown or height > LEAST_HEIGHT


def test_a_picture_needs_a_terminal_that_holds_it() -> None:
    assert holds_picture(a_console())
    assert not holds_picture(a_console(width=LEAST_WIDTH - 1))
    assert not holds_picture(a_console(height=LEAST_HEIGHT - 1))
    assert not holds_picture(a_console(terminal=False))


def test_each_finding_is_news_once_with_how_soon_it_came_after_its_fault() -> None:
    later = replace(PLANTED, at_s=20.0, what="four pages more")
    watch = FindingWatch([PLANTED, later])
    assert watch.delays() == [None, None]
    (first,) = watch.news([STRAY], 4.5)
    assert first == Found("stray-pages", "p", 4.5, 1.5, PLANTED.what)
    assert first.sentence == "found stray-pages at p 1.5 s after it happened: four pages past the queue"
    assert watch.news([STRAY], 5.0) == []
    (second,) = watch.news([STRAY, replace(STRAY, id="f-2")], 21.0)
    assert (second.after_s, second.what) == (1.0, "four pages more")
    (other,) = watch.news([replace(STRAY, id="f-3", printer="q")], 22.0)
    assert other.sentence == "found stray-pages at q"
    assert watch.delays() == [1.5, 1.0]


def test_a_fault_is_found_when_all_that_it_brings_is_found() -> None:
    both = replace(PLANTED, expected=(("unknown-printer", "p-old"), ("stray-pages", "p")))
    watch = FindingWatch([both])
    watch.news([STRAY], 4.0)
    assert watch.delays() == [None]
    watch.news([replace(STRAY, id="f-2", kind="unknown-printer", printer="p-old")], 5.5)
    assert watch.delays() == [2.5]


def result(*, missing: bool = False, faults: int = 10, differing: tuple[str, ...] = ()) -> DayResult:
    planted = [replace(PLANTED, what="w" * 33) for _ in range(faults)]
    judgement = judge(planted, [] if missing else [STRAY], [POSTING], TRUTH, [1.5] * faults)
    return DayResult(judgement, ReplayReport(facts=7, differing=list(differing)), [], [])


def test_the_answer_fits_one_screen() -> None:
    for faults in (10, 60):
        console = a_console()
        report_answer(console, result(faults=faults), whole=False)
        lines = console.export_text().splitlines()
        assert len(lines) < LEAST_HEIGHT
        assert max(map(len, lines)) <= LEAST_WIDTH
        assert "All found, nothing else, every page accounted for." in lines[-1]
        assert any("1.5 s in the middle" in line for line in lines)


def test_the_answer_names_what_is_not_good() -> None:
    console = a_console()
    report_answer(console, result(missing=True, differing=("p: a posting differs",)), whole=False)
    text = console.export_text()
    for part in ("MISSING: stray-pages at p", "p: a posting differs", "1 of them differ", "NOT GOOD."):
        assert part in text
