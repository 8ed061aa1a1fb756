"""How a boot's dates begin, and how they go on once somebody knows better."""

from __future__ import annotations

from pathlib import Path

import pytest

from pagereeve.app.dating_on import (
    WORD_GOOD_US,
    YOUNG_US,
    Boot,
    Corrected,
    PersonsWord,
    begin_dating,
    corrected,
    go_on_dating,
)
from pagereeve.app.kernel_clock import synchronised
from pagereeve.domain.facts.facts import Redated
from pagereeve.domain.facts.redating import dated_us
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.supervision.clock_agreement import LastSeen
from pagereeve.engine.supervision.clock_watch import Correction
from pagereeve.store.memory.journal import MemoryJournal
from tests.journal_samples import failed, read
from tests.unit.app.test_site_clock import NOON_US, Machine

DAY_US = 86_400 * SECOND_US


async def a_journal() -> MemoryJournal:
    journal = MemoryJournal()
    await journal.observe("p", [], read(100, "p", at_us=NOON_US - SECOND_US))
    await journal.observe("silent", [], failed("silent", at_us=NOON_US - 9 * SECOND_US))
    return journal


LAST_US = NOON_US - SECOND_US + 1_000


@pytest.mark.parametrize("wall_us", [0, NOON_US - 60 * SECOND_US, NOON_US + 30 * DAY_US])
async def test_dates_go_on_from_the_newest_fact_while_the_clock_is_not_agreed(wall_us: int) -> None:
    machine = Machine(wall=wall_us)
    clock = machine.site()
    boot = await begin_dating(await a_journal(), clock, synchronised=False)
    assert boot == Boot(LAST_US + 1, LAST_US, agreed=False, last_seen={"p": LastSeen(LAST_US, 100)})
    machine.passes(5)
    assert clock.now_us() == LAST_US + 6


@pytest.mark.parametrize(("wall_us", "first_us"), [(NOON_US, NOON_US), (LAST_US - SECOND_US, LAST_US + 1)])
async def test_an_agreed_boot_begins_with_the_clock_and_behind_the_newest_fact(wall_us: int, first_us: int) -> None:
    boot = await begin_dating(await a_journal(), Machine(wall=wall_us).site(), synchronised=False)
    assert boot == Boot(first_us, LAST_US, agreed=True)


async def test_a_first_start_ever_in_1970_begins_there() -> None:
    boot = await begin_dating(MemoryJournal(), Machine(wall=12).site(), synchronised=True)
    assert boot == Boot(12, 0, agreed=False)


async def test_a_correction_moves_the_boots_dates_and_no_others() -> None:
    journal, machine = await a_journal(), Machine(wall=0)
    clock = machine.site()
    boot = await begin_dating(journal, clock, synchronised=False)
    machine.passes(10 * SECOND_US)
    await journal.observe("p", [read(100, "p", at_us=LAST_US - 10)], read(101, "p", at_us=clock.now_us()))
    after = corrected(boot, clock, Correction(3 * DAY_US, "two sources agree"))
    assert after == Corrected(clock, 3 * DAY_US, "two sources agree", boot.anchor_us)
    machine.passes(10 * SECOND_US)
    again = await go_on_dating(journal, after)
    assert (again.agreed, again.anchor_us) == (True, boot.anchor_us + 20 * SECOND_US + 3 * DAY_US)
    facts = [one.fact async for one in journal.facts("p")]
    assert dated_us(facts[0]) == LAST_US - 10
    assert facts[1:] == [
        Redated("p", again.anchor_us, boot.anchor_us, clock.now_us() - 3 * DAY_US + 1, 3 * DAY_US, *WHO)
    ]
    run = await journal.open_run("p")
    assert run is not None
    assert dated_us(run.fact) == boot.anchor_us + 10 * SECOND_US + 3 * DAY_US


WHO = ("our own clock", "two sources agree")


def test_a_boot_that_is_no_longer_young_goes_on_from_there() -> None:
    machine = Machine()
    clock = machine.site()
    boot = Boot(NOON_US, NOON_US - DAY_US, agreed=True)
    machine.passes(YOUNG_US)
    young = corrected(boot, clock, Correction(SECOND_US, "x"))
    assert young is not None
    assert young.from_us == NOON_US
    machine.passes(1)
    old = corrected(boot, clock, Correction(SECOND_US, "x"))
    assert old is not None
    assert old.from_us is None
    assert corrected(boot, clock, Correction(-SECOND_US, "x")) is None


@pytest.mark.parametrize("agreed", [True, False])
def test_one_of_several_daemons_moves_no_facts_as_others_dated_some_of_them(agreed: bool) -> None:
    boot = Boot(NOON_US, NOON_US - DAY_US, agreed=agreed)
    clock = Machine().site()
    ahead = corrected(boot, clock, Correction(SECOND_US, "x"), shared=True)
    assert ahead == Corrected(clock, SECOND_US, "x", None)
    assert corrected(boot, clock, Correction(-SECOND_US, "x"), shared=True) is None


@pytest.mark.parametrize(("by_us", "fits"), [(-DAY_US, False), (-DAY_US + 1, True)])
def test_dates_are_never_set_back_among_those_of_the_boot_before(by_us: int, fits: bool) -> None:
    boot = Boot(NOON_US, NOON_US - DAY_US, agreed=True)
    assert (corrected(boot, Machine().site(), Correction(by_us, "x")) is not None) is fits


def test_a_persons_word_counts_once_and_only_for_the_time_that_it_was_said_of(tmp_path: Path) -> None:
    word = PersonsWord.within(tmp_path)
    assert word.take(NOON_US) == ""
    word.leave("warden", NOON_US)
    assert word.take(NOON_US + WORD_GOOD_US) == "warden"
    assert word.take(NOON_US) == ""
    word.leave("warden", NOON_US)
    assert word.take(NOON_US - DAY_US) == ""
    word.path.write_text("[7]")
    assert word.take(NOON_US) == ""
    assert not word.path.exists()


def test_the_kernel_says_one_thing_or_the_other() -> None:
    assert synchronised() in {True, False}
