"""May two readings be subtracted? RFC 2578 section 7.1, through continuity and runs."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.brackets.continuity import (
    JUMP_SLACK,
    WRAP_NEAR,
    Identity,
    Step,
    pages_between,
    restarted,
    step_between,
)
from pagereeve.domain.brackets.runs import Runs, split
from pagereeve.domain.facts.policy import Policy
from pagereeve.domain.facts.reading import Count, Plateau, PrinterState, Reading, Sight, Unit
from pagereeve.domain.values.instants import SECOND_US
from tests.unit.domain.story import at_us

POLICY = Policy()


def plateau(
    second: float,
    value: int,
    *,
    uptime_cs: int | None = None,
    serial: str = "K1",
    object_id: str = "1.3.6.1.4.1.99999.1",
    unit: Unit = Unit.IMPRESSIONS,
    power_on: int | None = None,
    state: PrinterState = PrinterState.IDLE,
    modulus: int = 2**32,
    counter: str = "",
) -> Plateau:
    sight = Sight((("total", Count(value, unit, modulus, counter)),), serial, object_id, state)
    return Plateau.of(Reading(at_us(second), at_us(second), sight, uptime_cs, power_on))


def step(before: Plateau, after: Plateau, policy: Policy = POLICY) -> Step:
    counts = dict(before.sight.counts)
    return step_between(before, counts, Identity().joined(before), after, policy)


def runs_of(*plateaus: Plateau, policy: Policy = POLICY) -> Runs:
    return split(plateaus, lambda _: policy)


@pytest.mark.parametrize(
    ("before", "after", "modulus", "delta"),
    [
        # Moduli: RFC 2578 section 7.1.6, PWG 5106.3 IcCounter32, a maker's own (HP-LASERJET-COMMON-MIB).
        (4294967290, 5, 2**32, 11),
        (4294967295, 0, 2**32, 1),
        (2147483640, 3, 2**31, 11),
        (999998, 4, 10**6, 6),
        # HP-Color-LaserJet-4500-MIB, prtMarkerLifeCount: 24 bits.
        (16777213, 4, 2**24, 7),
    ],
)
def test_a_wrap_near_its_modulus_carries_the_run_on(before: int, after: int, modulus: int, delta: int) -> None:
    for policy, by_profile in ((Policy(modulus=modulus), 2**32), (Policy(), modulus)):
        left, right = (
            plateau(0, before, uptime_cs=1000, modulus=by_profile),
            plateau(60, after, uptime_cs=7000, modulus=by_profile),
        )
        assert step(left, right, policy) is Step.WRAPPED
        assert pages_between(Count(before, Unit.IMPRESSIONS, by_profile), after, policy) == delta
        (run,) = runs_of(left, right, policy=policy).runs
        assert run.last_totals["total"] - before == delta


def test_a_sum_of_counters_never_wraps() -> None:
    left, right = plateau(0, 2**32 - 3, modulus=0), plateau(60, 4, modulus=0)
    assert step(left, right) is Step.WENT_BACK


@pytest.mark.parametrize("before", [2**32 - 3, 2**32 + 7, 2**53 - 1])
@pytest.mark.parametrize("restart", [False, True])
def test_a_counter64_that_falls_was_reset_and_never_wraps(before: int, restart: bool) -> None:
    """Neither at 32 bits nor at the largest integer that JSON carries exactly (RFC 7493 section 2.2)."""
    left = plateau(0, before, uptime_cs=90_000, modulus=0)
    right = plateau(60, 4, uptime_cs=300 if restart else 96_000, modulus=0)
    assert step(left, right) is (Step.RESET if restart else Step.WENT_BACK)
    assert [run.began for run in runs_of(left, right, plateau(120, 4, uptime_cs=right_cs(right), modulus=0)).runs] == [
        None,
        Step.RESET if restart else Step.WENT_BACK,
    ]


def right_cs(before: Plateau) -> int:
    """The agent's clock a minute later."""
    assert before.last_uptime_cs is not None
    return before.last_uptime_cs + 6_000


def test_another_object_of_the_same_printer_ends_the_run() -> None:
    """glpi-project/glpi-agent#1155: 6466 by one object and 6465 by another are no -1 page."""
    left = plateau(0, 6466, counter="1.3.6.1.2.1.43.10.2.1.4.1.1")
    assert step(left, plateau(60, 6465, counter="1.3.6.1.4.1.32473.5.0")) is Step.OBJECT_CHANGED
    assert step(left, plateau(60, 6467, counter="")) is Step.MOVED


def test_a_fall_with_a_restart_is_the_loss_of_what_was_not_saved_and_no_wrap() -> None:
    """HP-LASERJET-COMMON-MIB, prtMarkerLifeCount: 12345 then 12338 with a restart is a count that was not saved."""
    left, right = plateau(0, 12345, uptime_cs=500_000), plateau(60, 12338, uptime_cs=2000)
    assert step(left, right) is Step.FELL_BACK
    assert [run.began for run in runs_of(left, right, plateau(90, 12338, uptime_cs=5000)).runs] == [
        None,
        Step.FELL_BACK,
    ]


@pytest.mark.parametrize(("clock_cs", "began"), [(5000, [None, Step.FELL_BACK]), (509_000, [None])])
def test_pages_that_follow_a_fall_do_not_hide_it_where_the_clock_says_that_it_was_one(
    clock_cs: int, began: list[Step | None]
) -> None:
    """Seven pages were lost at a restart and nine came since: the next answer is above what was before."""
    answers = plateau(0, 12345, uptime_cs=500_000), plateau(60, 12338, uptime_cs=2000)
    found = runs_of(*answers, plateau(90, 12347, uptime_cs=clock_cs))
    assert [run.began for run in found.runs] == began


def test_a_fall_far_from_the_modulus_is_no_wrap() -> None:
    """HP-LASERJET-COMMON-MIB, prtMarkerLifeCount: 500000 then 4 at a modulus of 10^6 is no 500004 pages."""
    policy = Policy(modulus=10**6)
    assert step(plateau(0, 500_000, uptime_cs=0), plateau(3600, 4, uptime_cs=360_000), policy) is Step.WENT_BACK
    assert step(plateau(0, 500_000, uptime_cs=9_000_000), plateau(3600, 4, uptime_cs=100), policy) is Step.RESET


def test_a_wrap_is_believed_only_as_far_as_the_printer_can_print() -> None:
    policy = Policy(modulus=10**6, speed_per_minute=60)
    fits, too_far = JUMP_SLACK + 60, JUMP_SLACK + 61
    before = 10**6 - 10
    assert step(plateau(0, before), plateau(60, fits - 10), policy) is Step.WRAPPED
    assert step(plateau(0, before), plateau(60, too_far - 10), policy) is Step.WENT_BACK
    # However long nobody looked (common practice, no source).
    assert step(plateau(0, before), plateau(10**6, WRAP_NEAR), policy) is Step.WENT_BACK


def test_a_value_at_or_above_the_modulus_does_not_wrap() -> None:
    """The profile's modulus is wrong then: the meter has been seen above it."""
    policy = Policy(modulus=10**6)
    assert step(plateau(0, 10**6 + 5), plateau(60, 3), policy) is Step.WENT_BACK


@pytest.mark.parametrize(
    ("before_cs", "after_cs", "elapsed_s", "again"),
    [
        # RFC 2578 section 7.1.8: 396 ticks on the circle in 4 s are the same boot; after 600 s a restart 3 s ago.
        (4294967200, 300, 4, False),
        (4294967200, 300, 600, True),
        # Our choice: a clock may drift by the larger of 5 s and 1 %.
        (100_000, 100_000 + 6_000 + 499, 60, False),
        (100_000, 100_000 + 360_000 - 3_599, 3600, False),
        (100_000, 50, 60, True),
        # A sleeper's clock that stood still is no restart; nor is one that runs ahead.
        (9_000_000, 9_000_000, 3600, False),
        (100_000, 500_000, 60, False),
        # A reboot that a plain "later is greater" would miss, because the gap was long.
        (1_000, 200_000, 3600, True),
        # Uptime unknown on either side witnesses nothing.
        (None, 50, 60, False),
        (50_000, None, 60, False),
    ],
)
def test_uptime_is_compared_on_the_modulo_circle(
    before_cs: int | None, after_cs: int | None, elapsed_s: int, again: bool
) -> None:
    assert restarted(plateau(0, 1, uptime_cs=before_cs), plateau(elapsed_s, 1, uptime_cs=after_cs)) is again


def test_a_power_on_count_that_fell_witnesses_a_restart() -> None:
    """RFC 3805 section 6, prtMarkerPowerOnCount; docs.cpp.canon M124813, prtMarkerGroup: 350 then 2."""
    assert restarted(plateau(0, 900, power_on=350), plateau(60, 900, power_on=2))
    assert not restarted(plateau(0, 900, power_on=350), plateau(60, 905, power_on=355))


def test_faster_than_the_printer_can_print_is_a_jump() -> None:
    policy = Policy(speed_per_minute=60)
    assert step(plateau(0, 100), plateau(60, 100 + 60 + JUMP_SLACK), policy) is Step.MOVED
    assert step(plateau(0, 100), plateau(60, 101 + 60 + JUMP_SLACK), policy) is Step.JUMPED


def test_a_standing_value_may_have_moved_at_any_time_since_it_was_first_seen() -> None:
    """Speed is measured from the first sight of the old value: nobody knows when the pages came."""
    old = replace(plateau(0, 100), last_sent_us=at_us(600), last_received_us=at_us(600), count=60)
    assert step(old, plateau(601, 100 + 600 + JUMP_SLACK), Policy(speed_per_minute=60)) is Step.MOVED


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"serial": "K2"}, Step.REPLACED),
        ({"object_id": "1.3.6.1.4.1.99999.2"}, Step.REPLACED),
        ({"serial": "K2", "unit": Unit.SHEETS}, Step.REPLACED),
        ({"unit": Unit.SHEETS}, Step.UNIT_CHANGED),
        ({"serial": ""}, Step.MOVED),
        ({"object_id": ""}, Step.MOVED),
    ],
)
def test_identity_comes_first_then_the_unit_then_the_value(changed: dict[str, object], expected: Step) -> None:
    """Another device, or another unit; an empty identity contradicts nothing."""
    assert step(plateau(0, 100), plateau(60, 105, **changed)) is expected  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("serial", "other", "value", "expected"),
    [
        ("XY12", "xy12", 100, Step.SAME),
        ("XY12", " XY12 ", 100, Step.SAME),
        ("XY12", "00XY12", 100, Step.SAME),
        ("XY12", "00XY12", 101, Step.REPLACED),
        ("XY12", "XY120", 100, Step.REPLACED),
        ("XY12", "YX12", 100, Step.REPLACED),
    ],
)
def test_a_serial_that_is_written_otherwise_at_the_same_count_is_the_same_device(
    serial: str, other: str, value: int, expected: Step
) -> None:
    assert step(plateau(0, 100, serial=serial), plateau(60, value, serial=other)) is expected


def test_the_worst_of_several_channels_decides() -> None:
    before = Sight((("mono", Count(90, Unit.IMPRESSIONS)), ("total", Count(100, Unit.IMPRESSIONS))))
    after = Sight((("mono", Count(10, Unit.IMPRESSIONS)), ("total", Count(105, Unit.IMPRESSIONS))))
    left = Plateau.of(Reading(at_us(0), at_us(0), before))
    right = Plateau.of(Reading(at_us(60), at_us(60), after))
    assert step(left, right) is Step.WENT_BACK


def test_a_channel_missing_for_a_while_is_compared_with_its_own_last_value() -> None:
    def seen(second: float, **values: int) -> Plateau:
        counts = tuple((name, Count(value, Unit.IMPRESSIONS)) for name, value in sorted(values.items()))
        return Plateau.of(Reading(at_us(second), at_us(second), Sight(counts, "K1")))

    (run,) = runs_of(seen(0, total=100, mono=60), seen(60, total=104), seen(120, total=108, mono=66)).runs
    assert run.last_totals == {"total": 108, "mono": 66}
    assert [sample.total("mono") for sample in run.samples] == [60, None, 66]


def test_one_false_zero_is_suspect_and_leaves_the_run_as_it_was() -> None:
    """home-assistant/core#182493: 39711, 0, 41350 is 1639 and not 41350."""
    found = runs_of(plateau(0, 39711), plateau(900, 0), plateau(1800, 41350))
    (run,) = found.runs
    assert run.last_totals["total"] - 39711 == 1639
    assert [one.sight.counts[0][1].value for one in found.suspects] == [0]


def test_a_step_back_by_one_is_jitter() -> None:
    """0xAHA/Growatt_ModbusTCP#417: 20292, 20291, 20295 is 3."""
    found = runs_of(plateau(0, 20292), plateau(60, 20291), plateau(120, 20295))
    (run,) = found.runs
    assert run.last_totals["total"] - 20292 == 3
    assert len(found.suspects) == 1


def test_a_lower_value_at_the_end_waits_for_a_witness() -> None:
    found = runs_of(plateau(0, 500), plateau(60, 20))
    assert len(found.runs) == 1
    assert found.pending is not None
    assert found.suspects == []


def test_a_lower_value_seen_twice_begins_a_run() -> None:
    found = runs_of(plateau(0, 500), plateau(60, 20), plateau(120, 23))
    assert [run.began for run in found.runs] == [None, Step.WENT_BACK]
    assert found.runs[1].last_totals["total"] - 20 == 3


def test_a_lower_value_that_stands_for_the_settle_time_is_its_own_witness() -> None:
    long = replace(plateau(60, 20), count=4, last_sent_us=at_us(60) + POLICY.settle_us)
    found = runs_of(plateau(0, 500), long)
    assert [run.began for run in found.runs] == [None, Step.WENT_BACK]
    short = replace(long, last_sent_us=at_us(60) + POLICY.settle_us - SECOND_US)
    assert len(runs_of(plateau(0, 500), short).runs) == 1


def test_another_identity_seen_twice_is_another_device() -> None:
    """fusioninventory/fusioninventory-for-glpi#1186: serial K1 at 88120, then K2 at 412."""
    answers = plateau(0, 88120), plateau(60, 412, serial="K2"), plateau(61, 412, serial="K2")
    assert runs_of(*answers[:2]).pending is answers[1]
    found = runs_of(*answers)
    assert [run.began for run in found.runs] == [None, Step.REPLACED]
    assert [run.number for run in found.runs] == [1, 2]


@pytest.mark.parametrize("odd", [{"serial": "K2"}, {"object_id": "1.3.6.1.4.1.99999.2"}])
@pytest.mark.parametrize("value", [100, 412, 0])
def test_one_odd_identity_between_two_equal_ones_is_suspect(odd: dict[str, str], value: int) -> None:
    answers = plateau(0, 100), plateau(60, value, **odd), plateau(120, 103)  # type: ignore[arg-type]
    found = runs_of(*answers)
    assert [run.began for run in found.runs] == [None]
    assert found.suspects == [answers[1]]
    assert found.runs[0].last_totals == {"total": 103}


@pytest.mark.parametrize("odd_cs", [0, 40, 2**31])
@pytest.mark.parametrize("value", [100, 101])
def test_one_odd_uptime_between_two_that_fit_is_no_restart(odd_cs: int, value: int) -> None:
    answers = (
        plateau(0, 100, uptime_cs=90_000),
        plateau(60, value, uptime_cs=odd_cs),
        plateau(90, 101, uptime_cs=99_000),
    )
    (run,) = runs_of(*answers).runs
    assert [sample.restarted for sample in run.samples] == [False, False, False]
    assert [sample.odd_clock for sample in run.samples] == [False, True, False]


def test_an_uptime_that_stays_low_is_a_restart() -> None:
    answers = plateau(0, 100, uptime_cs=90_000), plateau(60, 101, uptime_cs=40), plateau(90, 101, uptime_cs=3_040)
    (run,) = runs_of(*answers).runs
    assert [sample.restarted for sample in run.samples] == [False, True, False]


@pytest.mark.parametrize("value", [0, 98])
def test_a_fall_in_an_answer_whose_clock_is_odd_too_waits_for_the_next(value: int) -> None:
    answers = plateau(0, 100, uptime_cs=90_000), plateau(60, value, uptime_cs=0), plateau(90, 101, uptime_cs=99_000)
    found = runs_of(*answers)
    assert [run.began for run in found.runs] == [None]
    assert found.suspects == [answers[1]]


def test_an_empty_serial_proves_nothing_and_contradicts_nothing() -> None:
    """fusioninventory/fusioninventory-for-glpi#492: "", K1, "", K1 is one printer."""
    serials = ["", "K1", "", "K1"]
    found = runs_of(*(plateau(60 * nth, 100 + nth, serial=serial) for nth, serial in enumerate(serials)))
    assert len(found.runs) == 1


def test_an_identity_learnt_once_is_remembered_over_empty_ones() -> None:
    answers = plateau(60, 101, serial=""), plateau(120, 102, serial="K2"), plateau(121, 102, serial="K2")
    found = runs_of(plateau(0, 100), *answers)
    assert [run.began for run in found.runs] == [None, Step.REPLACED]


def test_two_odd_readings_in_a_row_that_do_not_agree_are_both_doubtful() -> None:
    found = runs_of(plateau(0, 50_000), plateau(60, 3), plateau(120, 20_000), plateau(180, 50_004))
    assert len(found.runs) == 1
    assert [one.sight.counts[0][1].value for one in found.suspects] == [3, 20_000]
