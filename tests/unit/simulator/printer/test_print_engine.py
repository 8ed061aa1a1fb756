"""The pure printer: what it marks, what it shows, and when. All figures are invented unless a source is named."""

from __future__ import annotations

import pytest

from pagereeve.domain.facts.reading import decode_error_bits
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.simulator.errors import PrinterFull, PrinterOff
from pagereeve.simulator.printer.model import SPOOLED_MAX, PrinterSpec, PrintJob, error_octets
from pagereeve.simulator.printer.print_engine import PrintEngine
from pagereeve.simulator.snmp.mib import LIFE_COUNT, PRT_MARKER, printer_rows

S = SECOND_US
LATER = 1_000 * S

# One impression a second, the first sheet out two seconds after the job.
SLOW = PrinterSpec("slow", start_count=100, impressions_per_minute=60, first_sheet_us=S, warm_up_us=3 * S)


def printed(spec: PrinterSpec, job: PrintJob) -> int:
    engine = PrintEngine(spec, seed=1)
    engine.submit(job, 0)
    return engine.meter(LATER) - spec.start_count


def slow(**changes: object) -> PrintEngine:
    members = {name: getattr(SLOW, name) for name in SLOW.__slots__}
    return PrintEngine(PrinterSpec(**{**members, **changes}), seed=1)


@pytest.mark.parametrize(
    ("pages", "number_up", "two_sided", "copies", "content", "sheets", "passes"),
    [
        # Derived from RFC 2707 section 2: content impressions, sheets, side-passes.
        (1, 1, False, 1, 1, 1, 1),
        (2, 1, True, 1, 2, 1, 2),
        (3, 1, True, 1, 3, 2, 4),
        (5, 1, True, 3, 15, 9, 18),
        (10, 2, True, 1, 5, 3, 6),
        (7, 4, True, 2, 4, 2, 4),
        (1, 1, True, 4, 4, 4, 8),
        (9, 2, False, 2, 10, 10, 10),
        (16, 4, True, 5, 20, 10, 20),
        (4, 16, True, 1, 1, 1, 2),
        (100, 1, True, 1, 100, 50, 100),
    ],
)
def test_a_job_moves_each_kind_of_meter_by_the_worked_values(
    pages: int, number_up: int, two_sided: bool, copies: int, content: int, sheets: int, passes: int
) -> None:
    job = PrintJob(
        "j", pages, copies=copies, number_up=number_up, sides="two-sided-long-edge" if two_sided else "one-sided"
    )
    assert printed(PrinterSpec("p"), job) == content
    assert printed(PrinterSpec("p", counts_blank_backs=True), job) == passes
    assert printed(PrinterSpec("p", unit="sheets"), job) == sheets
    assert printed(PrinterSpec("p", unit="hours"), job) == 0


def test_separator_sheets_and_copies_applied_twice_add_up() -> None:
    assert printed(PrinterSpec("p"), PrintJob("j", 4, separator_sheets=2)) == 6
    # apple/cups#1782 and others: 3 pages x 3 copies come out as 27.
    assert printed(PrinterSpec("p", copies_squared=True), PrintJob("j", 3, copies=3)) == 27


def test_the_first_sheet_takes_its_time_and_the_rest_the_rated_speed() -> None:
    engine = slow()
    engine.submit(PrintJob("j", 3), 0)
    assert [engine.meter(at * S) for at in (1, 2, 3, 4, 5)] == [100, 101, 102, 103, 103]
    assert [mark.at_us for mark in engine.truth] == [2 * S, 3 * S, 4 * S]


def test_a_meter_that_counts_at_feed_is_a_sheet_ahead() -> None:
    engine = slow(counts_at="feed")
    engine.submit(PrintJob("j", 3), 0)
    assert [engine.meter(at * S) for at in (0, 1, 2, 3)] == [100, 101, 102, 103]


def test_the_shown_count_trails_by_the_lag_and_idle_comes_before_the_last_step() -> None:
    engine = slow(lag_us=5 * S)
    engine.submit(PrintJob("j", 2), 0)
    shown = engine.show(4 * S)
    assert (shown.life_count, shown.printer_status) == (100, 3)
    assert [engine.meter(at * S) for at in (7, 8)] == [101, 102]


def test_states_follow_a_cold_start() -> None:
    engine = slow(sleep_after_us=60 * S)
    assert engine.show(59 * S).printer_status == 3
    assert engine.show(60 * S).printer_status == 1
    engine.submit(PrintJob("j", 1), 100 * S)
    assert engine.show(102 * S).printer_status == 5
    assert engine.show(104 * S + 1).printer_status == 4
    assert engine.show(110 * S).printer_status == 3
    assert [mark.at_us for mark in engine.truth] == [105 * S]


def test_a_state_that_sticks_shows_printing_at_rest_and_changes_nothing_else() -> None:
    engine = slow(sleep_after_us=60 * S)
    engine.submit(PrintJob("j", 1), 0)
    engine.stick_state(S, sticks=True)
    assert engine.show(50 * S).printer_status == 4
    assert not engine.busy(50 * S)
    assert engine.meter(50 * S) == 101
    engine.stick_state(50 * S, sticks=False)
    assert engine.show(50 * S).printer_status == 3


def test_a_full_buffer_has_no_room_until_sheets_leave() -> None:
    engine = slow(buffer_bytes=1_000)
    spooled = engine.begin(PrintJob("j", 4, size_bytes=2_000), 0)
    engine.feed(spooled, 1_000, 0)
    assert engine.room_bytes(0) == 0
    assert engine.room_bytes(S) == 500
    engine.feed(spooled, 500, S)
    assert engine.room_bytes(2 * S) == 500


def test_a_printer_waits_for_data_and_prints_what_arrived_when_they_break_off() -> None:
    engine = slow()
    spooled = engine.begin(PrintJob("j", 4, size_bytes=400), 0)
    engine.feed(spooled, 250, 0)
    assert engine.meter(60 * S) == 102
    assert engine.show(60 * S).printer_status == 4
    engine.end(spooled, 60 * S)
    assert engine.show(61 * S).printer_status == 3
    assert engine.meter(LATER) == 102


def test_a_cancelled_job_lets_only_the_sheet_in_flight_out() -> None:
    engine = slow()
    engine.submit(PrintJob("j", 9), 0)
    assert engine.cancel("j", 3 * S + S // 2)
    assert engine.meter(LATER) == 103
    assert not engine.cancel("j", LATER)


@pytest.mark.parametrize(
    ("counts_at", "reprints", "total"), [("exit", True, 3), ("exit", False, 2), ("feed", True, 4), ("feed", False, 3)]
)
def test_a_jam_stops_until_cleared_and_the_stuck_sheet_counts_as_the_printer_counts(
    counts_at: str, reprints: bool, total: int
) -> None:
    engine = slow(counts_at=counts_at, reprints_jammed_sheet=reprints)
    engine.submit(PrintJob("j", 3), 0)
    engine.jam(S + S // 2)
    shown = engine.show(50 * S)
    assert (shown.printer_status, shown.device_status, shown.errors) == (1, 5, ("jammed",))
    engine.clear(60 * S)
    assert engine.meter(LATER) == 100 + total
    assert engine.show(LATER).printer_status == 3


def test_an_empty_tray_stops_the_job_and_a_refill_ends_it() -> None:
    # OpenPrinting/cups#278: 10 pages, 4 before the tray is empty, 6 the next morning.
    engine = slow()
    engine.paper_out(0, after_sheets=4)
    engine.submit(PrintJob("j", 10), 0)
    assert engine.meter(60 * S) == 104
    assert engine.show(60 * S).errors == ("noPaper",)
    engine.refill(100 * S)
    assert engine.meter(LATER) == 110


def test_power_loss_falls_back_to_the_last_saved_count() -> None:
    # HP-LASERJET-COMMON-MIB, prtMarkerLifeCount: 12347, power cut, 12340, 5 pages, 12345.
    spec = PrinterSpec("p", start_count=12_340, save_every=10)
    engine = PrintEngine(spec, seed=1)
    engine.submit(PrintJob("first", 7), 0)
    assert engine.meter(20 * S) == 12_347
    engine.power_cut(20 * S, 5 * S)
    assert not engine.hears(22 * S)
    with pytest.raises(PrinterOff):
        engine.submit(PrintJob("nobody", 1), 22 * S)
    shown = engine.show(26 * S)
    assert (shown.life_count, shown.power_on_count, shown.uptime_cs) == (12_340, 0, 100)
    engine.submit(PrintJob("second", 5), 30 * S)
    assert engine.show(LATER).life_count == 12_345
    assert engine.show(LATER).power_on_count == 5
    assert engine.lives[-1].lost == 7


@pytest.mark.parametrize(("at_power_cut", "total"), [("lose-jobs", 2), ("resume-jobs", 6)])
def test_jobs_in_memory_are_lost_or_resumed_at_a_power_cut(at_power_cut: str, total: int) -> None:
    engine = slow(at_power_cut=at_power_cut)
    engine.submit(PrintJob("j", 6), 0)
    engine.power_cut(3 * S + S // 2, S)
    assert engine.meter(LATER) == 100 + total


def test_a_start_up_page_is_marked_and_belongs_to_no_job() -> None:
    engine = slow(start_up_page=True)
    engine.power_cut(0, S)
    assert engine.meter(LATER) == 101
    assert engine.total().by_cause == {"start-up-page": 1}
    assert engine.total().by_job == {}


def test_another_device_has_another_serial_and_count_and_a_life_of_its_own() -> None:
    engine = slow()
    engine.submit(PrintJob("j", 2), 0)
    engine.replace(50 * S, "SIM-0002", 412)
    shown = engine.show(51 * S)
    assert (shown.serial, shown.life_count, shown.uptime_cs) == ("SIM-0002", 412, 100)
    engine.submit(PrintJob("k", 3), 60 * S)
    assert engine.meter(LATER) == 415
    assert [mark.life for mark in engine.truth] == [0, 0, 1, 1, 1]


def test_a_device_swapped_before_the_next_sheet_has_shown_all_that_it_marked() -> None:
    engine = slow()
    engine.replace_before_sheet(0, "SIM-0002", 412)
    assert engine.show(30 * S).serial == "SIM-0001"
    engine.submit(PrintJob("lost", 6), 30 * S)
    assert engine.busy(30 * S + S // 2)
    assert (engine.show(LATER).serial, engine.meter(LATER), engine.busy(LATER)) == ("SIM-0002", 412, False)
    engine.submit(PrintJob("j", 2), LATER)
    assert engine.meter(2 * LATER) == 414
    assert engine.total().marked == 2


def test_a_false_zero_is_told_once_and_changes_nothing() -> None:
    engine = slow()
    engine.false_zero(0)
    assert [engine.show(at).life_count for at in (1, 2)] == [0, 100]
    assert engine.meter(3) == 100


def test_a_meter_wraps_at_its_modulus() -> None:
    # HP-LASERJET-COMMON-MIB, prtMarkerLifeCount: 999998 -> 4 is 6 pages where the modulus is a million.
    engine = PrintEngine(PrinterSpec("p", start_count=999_998, modulus=1_000_000), seed=1)
    engine.submit(PrintJob("j", 6), 0)
    assert engine.meter(LATER) == 4


def test_walk_up_copies_and_set_meters_are_told_apart() -> None:
    engine = slow()
    engine.copy(3, 0)
    engine.put_meter(5_000, 60 * S)
    engine.change_unit("sheets", 61 * S)
    engine.submit(PrintJob("j", 2), 62 * S)
    assert engine.meter(LATER) == 5_002
    assert engine.show(LATER).unit_code == 8
    assert engine.total().by_cause == {"copy": 3, "job": 2}
    assert len(engine.lives) == 3


def test_what_an_agent_says_of_its_unit_changes_nothing_in_what_it_counts() -> None:
    engine = slow()
    engine.say_unit("sheets", 0)
    engine.submit(PrintJob("j", 4, sides="two-sided-long-edge"), S)
    assert engine.meter(LATER) == 104
    assert engine.show(LATER).unit_code == 8
    assert len(engine.lives) == 1
    silent = slow(says_unit=False)
    assert silent.show(0).unit_code is None


@pytest.mark.parametrize(
    ("says_unit", "still", "units", "counts"),
    [
        (True, None, [1], {1: 100}),
        (False, None, [], {1: 100}),
        (True, 7, [1, 2], {1: 100, 2: 7}),
    ],
)
def test_the_rows_of_a_marker_and_of_one_that_stands(
    says_unit: bool, still: int | None, units: list[int], counts: dict[int, int]
) -> None:
    rows = printer_rows(slow(says_unit=says_unit, still_marker=still).show(0), "p", 1, 1)
    assert [row.oid[-1] for row in rows if row.oid[:-2] == (*PRT_MARKER, 3)] == units
    assert {row.oid[-1]: row.value for row in rows if row.oid[:-2] == LIFE_COUNT} == counts


def test_silence_and_sleep_keep_the_agent_quiet() -> None:
    engine = slow(sleep_after_us=10 * S, asleep_answers="after-the-first", awake_us=5 * S)
    engine.silence(0, 3 * S)
    assert [engine.hears(at * S) for at in (1, 3, 20, 21, 25, 40)] == [False, True, False, True, True, False]


def test_a_dozing_agent_answers_some_requests_and_the_same_ones_again_for_the_same_seed() -> None:
    engines = [slow(sleep_after_us=0, asleep_answers="sometimes") for _ in range(2)]
    heard = [[engine.hears(at * S) for at in range(1, 200)] for engine in engines]
    assert heard[0] == heard[1]
    assert 0.2 < sum(heard[0]) / len(heard[0]) < 0.5


def test_a_printer_takes_no_more_jobs_than_its_memory_holds() -> None:
    engine = slow()
    for nth in range(SPOOLED_MAX):
        engine.submit(PrintJob(f"j{nth}", 1), 0)
    with pytest.raises(PrinterFull, match="slow"):
        engine.submit(PrintJob("one more", 1), 0)


@pytest.mark.parametrize(
    ("names", "octets"),
    # RFC 2790 section 4: bit 0 is the top bit of the first octet.
    [((), b"\x00"), (("noPaper",), b"\x40"), (("jammed",), b"\x04"), (("inputTrayMissing",), b"\x00\x80")],
)
def test_error_bits_are_those_of_the_standard(names: tuple[str, ...], octets: bytes) -> None:
    assert error_octets(names) == octets
    assert decode_error_bits(octets) == names


def test_a_lit_toner_light_stops_nothing() -> None:
    engine = slow()
    before = engine.meter(0)
    engine.light_toner(0, lit=True)
    engine.submit(PrintJob("a", 3), SECOND_US)
    assert engine.show(SECOND_US).errors == ("noToner",)
    assert engine.meter(600 * SECOND_US) - before == 3
    engine.light_toner(601 * SECOND_US, lit=False)
    assert engine.show(602 * SECOND_US).errors == ()
