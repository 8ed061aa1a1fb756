"""Public fault reports, as far as the domain goes: which number, which unit, and a meter that goes back."""

from __future__ import annotations

import pytest

from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Grade, Verdict
from tests.findings import lines_of, text_of
from tests.unit.domain.story import (
    POLICY,
    Story,
    accounts,
    brackets,
    charge,
    finding,
    gaps,
    impressions,
    kinds,
    printed,
)


def test_two_counters_of_one_printer_are_never_subtracted_from_one_another() -> None:
    """glpi-project/glpi-agent#1155: 6466 of one, 6465 of another is not -1."""
    story = Story()
    story.reading(-1, counts=impressions(total=6466))
    story.release(0, pages=3)
    story.ended(3)
    for second in (6, 12, 18, 60):
        story.reading(second, counts=impressions(vendor=6465))
    ledger = story.ledger()
    assert all(one.counted >= 0 for one in ledger.stretches)
    assert brackets(ledger) == []


def test_other_marker_rows_and_the_power_on_count_are_not_the_meter() -> None:
    """docs.cpp.canon M124813, prtMarkerGroup: the count since power-on falls from 350 to 2."""
    story = Story()
    story.reading(-1, 100, power_on=350)
    story.restart(1)
    story.release(5, pages=4)
    story.ended(8)
    story.rest(12, 40, 104, power_on=2)
    ledger = story.ledger()
    assert charge(ledger, "r1").counted == 4
    assert charge(ledger, "r1").verdict is Verdict.AGREES
    assert kinds(ledger) == ["printer-restarted"]


@pytest.mark.parametrize(("unit", "moved"), [(Unit.IMPRESSIONS, 4), (Unit.SHEETS, 2)])
def test_a_two_sided_job_reconciles_on_either_kind_of_meter(unit: Unit, moved: int) -> None:
    """HP-LASERJET-COMMON-MIB (prtMarkerLifeCount) and Ricoh D017 service manual: a duplex sheet counts 2 on one model,
    1 on another.
    """
    story = Story()
    story.reading(-1, 1000, unit=unit)
    story.release(0, pages=4, sides="two-sided-long-edge")
    story.ended(3)
    story.rest(6, 30, 1000 + moved, unit=unit)
    ledger = story.ledger()
    assert charge(ledger, "r1").charged == moved
    assert charge(ledger, "r1").verdict is Verdict.AGREES


def test_large_paper_that_counts_double_is_a_surplus_and_never_the_owners() -> None:
    """docs.cpp.canon M124813, prtMarkerLifeCount: 10 two-sided large sheets move it by 40; weights are not known to the
    domain.
    """
    story = Story()
    printed(story, 0, 1000, 1040, pages=20, sides="two-sided-long-edge")
    ledger = story.ledger()
    assert charge(ledger, "r1").charged == 20
    assert accounts(ledger) == {"person:owner-r1": 20, "house:surplus": 20}


def test_a_count_that_falls_at_a_power_cut_proves_nothing_and_is_no_wrap() -> None:
    """HP-LASERJET-COMMON-MIB, prtMarkerLifeCount: 12347, power cut, 12340, 5 pages, 12345; a 32-bit wrap would be
    4294967294.
    """
    story = Story()
    story.reading(-1, 12347)
    story.release(0, pages=5)
    story.restart(2)
    story.reading(20, 12340)
    story.ended(22)
    story.rest(30, 60, 12345)
    ledger = story.ledger()
    one = charge(ledger, "r1")
    assert (one.grade, one.verdict) == (Grade.BROKEN, Verdict.UNPROVEN)
    assert (one.charged, one.unproven, one.counted) == (0, 5, None)
    assert sum(accounts(ledger).values()) == 5
    assert "at most 7 of the pages before the restart may be counted twice" in text_of(
        finding(ledger, "meter-went-back")
    )


def test_the_same_power_cut_without_a_reading_in_between() -> None:
    """The same: before 12347, after 12345 with a restart; delta -2 and truth 5."""
    story = Story()
    story.reading(-1, 12347)
    story.release(0, pages=5)
    story.ended(3)
    story.restart(5)
    story.rest(30, 60, 12345)
    ledger = story.ledger()
    assert charge(ledger, "r1").grade is Grade.BROKEN
    assert sum(accounts(ledger).values()) == 0
    assert kinds(ledger) == ["meter-went-back", "unproven-release"]


@pytest.mark.parametrize(
    ("before", "after", "modulus", "pages"),
    [
        # The maker's own limits: HP-LASERJET-COMMON-MIB (999999) and HP-Color-LaserJet-4500-MIB (2^24 - 1).
        (999998, 4, 10**6, 6),
        (16777213, 4, 2**24, 7),
        (4294967290, 5, 2**32, 11),
    ],
)
def test_a_wrap_is_counted_on(before: int, after: int, modulus: int, pages: int) -> None:
    story = Story(Policy(settle_us=POLICY.settle_us, modulus=modulus))
    printed(story, 0, before, after, pages=pages)
    ledger = story.ledger()
    assert charge(ledger, "r1").counted == pages
    (bracket,) = brackets(ledger)
    assert (bracket.before, bracket.after, bracket.counted) == (before, after, pages)
    assert kinds(ledger) == []


def test_a_fall_from_the_middle_of_the_range_is_a_reset() -> None:
    """HP-LASERJET-COMMON-MIB, prtMarkerLifeCount: 500000 then 4 at modulus 10^6 is no 500004 pages."""
    story = Story(Policy(settle_us=POLICY.settle_us, modulus=10**6))
    printed(story, 0, 500_000, 4, pages=4)
    ledger = story.ledger()
    assert charge(ledger, "r1").grade is Grade.BROKEN
    assert sum(accounts(ledger).values()) == 0
    assert "meter-went-back" in kinds(ledger)


def test_a_false_zero_inside_a_bracket_books_nothing() -> None:
    """home-assistant/core#182493: 39711, 0, 41350; 1639 and not 41350."""
    story = Story()
    story.reading(-1, 39711)
    story.release(0, pages=1639)
    story.reading(300, 0)
    story.ended(560)
    story.rest(600, 630, 41350)
    ledger = story.ledger()
    assert charge(ledger, "r1").counted == 1639
    assert accounts(ledger) == {"person:owner-r1": 1639}


def test_jitter_inside_a_bracket_costs_nobody_a_page() -> None:
    """0xAHA/Growatt_ModbusTCP#417: 20292, 20291, 20295."""
    story = Story()
    story.reading(-1, 20292)
    story.release(0, pages=3)
    story.reading(3, 20291)
    story.ended(4)
    story.rest(6, 30, 20295)
    assert charge(story.ledger(), "r1").counted == 3


def test_an_exchanged_printer_gives_no_difference() -> None:
    """fusioninventory/fusioninventory-for-glpi#1186 and Uninett/nav#555: K1 at 88120, K2 at 412."""
    story = Story()
    story.reading(-1, 88120)
    story.release(0, pages=3)
    story.ended(3)
    story.serial = "K2"
    story.rest(10, 40, 412)
    ledger = story.ledger()
    one = charge(ledger, "r1")
    assert (one.grade, one.verdict, one.counted) == (Grade.BROKEN, Verdict.UNPROVEN, None)
    assert sum(accounts(ledger).values()) == 0
    told = finding(ledger, "meter-replaced")
    assert any("serial K1" in line for line in lines_of(told))
    assert any("serial K2" in line for line in lines_of(told))


def test_a_serial_that_comes_and_goes_is_one_printer() -> None:
    """fusioninventory/fusioninventory-for-glpi#492: a serial number that is empty at first."""
    story = Story()
    story.reading(-2, 100, serial="")
    story.reading(-1, 100, serial="K1")
    story.release(0, pages=2)
    story.ended(2)
    story.reading(8, 102, serial="")
    story.rest(12, 30, 102, serial="K1")
    ledger = story.ledger()
    assert charge(ledger, "r1").verdict is Verdict.AGREES
    assert kinds(ledger) == []


def test_an_old_value_of_a_printer_that_is_off_is_no_reading_before() -> None:
    """home-assistant/home-assistant.io#28092: a value from three hours ago makes no tight bracket."""
    story = Story()
    story.reading(-3 * 3600, 500)
    story.release(0, pages=4)
    story.ended(3)
    story.failed(1, tries=3)
    story.rest(20, 50, 504)
    ledger = story.ledger()
    assert charge(ledger, "r1").grade is Grade.WIDE
    assert "meter-silent" in kinds(ledger)


def test_a_printer_that_stays_silent_gives_no_reading_after() -> None:
    """home-assistant/home-assistant.io#28092: silence is not the last value; the charge stays open and unproven."""
    story = Story()
    story.reading(-3 * 3600, 500)
    story.release(0, pages=4)
    story.ended(3)
    story.failed(1, tries=20)
    ledger = story.ledger()
    one = charge(ledger, "r1")
    assert (one.counted, one.closed_us, one.charged) == (None, None, 0)
    assert one.reasons == ("window-open",)
    assert gaps(ledger) == []


def test_a_unit_that_changes_ends_the_run() -> None:
    """Units are proven, not believed: sheets after impressions are never converted in silence."""
    story = Story()
    story.reading(-1, 1000)
    story.release(0, pages=4)
    story.ended(3)
    story.rest(6, 30, 1004, unit=Unit.SHEETS)
    ledger = story.ledger()
    assert charge(ledger, "r1").grade is Grade.BROKEN
    assert "unit-changed" in kinds(ledger)
