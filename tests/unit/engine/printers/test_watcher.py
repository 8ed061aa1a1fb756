"""When the meter is read: on a badge, on a notice, while a window is open, until settled, and seldom else."""

from __future__ import annotations

from itertools import pairwise

import pytest

from pagereeve.domain.ledger import Grade, Verdict
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.printers.polling import PollPolicy, PollState, next_interval_s
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import FakePrinter, World


def test_a_notice_is_read_for_at_once_and_the_bracket_is_tight() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(1)
            await world.passes(100)
            before = len(world.sent_s())
            begun_s = world.now_s
            await world.release("r", 3)
            assert world.sent_s()[before] - begun_s < 0.001
            (one,) = (await world.ledger()).charges
            assert (one.counted, one.verdict, one.grade) == (3, Verdict.AGREES, Grade.TIGHT)
            assert world.meter.overlaps == 0
            assert world.troubles == []

    passing(story())


def test_a_badge_is_read_for_at_every_printer_behind_its_gateway() -> None:
    async def story() -> None:
        printers = {name: FakePrinter() for name in ("a", "b", "elsewhere")}
        async with World(printers, {"a": "gw", "b": "gw", "elsewhere": "other"}) as world:
            await world.passes(100)
            before = {name: len(world.sent_s(name)) for name in printers}
            assert (await world.badge("04A1B2C3", "gw")).outcome == "stored"
            await world.passes(0.2)
            extra = {name: len(world.sent_s(name)) - before[name] for name in printers}
            assert extra["a"] >= 1
            assert extra["b"] >= 1
            assert extra["elsewhere"] == 0
            assert len([one for one in await world.facts("b") if type(one).__name__ == "BadgePresented"]) == 1
            assert [one for one in await world.facts("elsewhere") if type(one).__name__ == "BadgePresented"] == []

    passing(story())


def test_polling_grows_is_bounded_and_stops_once_the_meter_has_settled() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            before = len(world.sent_s())
            await world.start("r", 40)
            world.printers["p"].print(world.now_s, 40, page_s=1.0)
            await world.passes(20)
            await world.end("r")
            await world.passes(100)
            during = list(world.sent_s())[before:]
            gaps = [later - earlier for earlier, later in pairwise(during)]
            assert max(gaps) <= world.poll_policy.longest_s + 1
            assert len(during) < 90
            assert world.watcher().open_windows() == 0
            posted = len(world.sent_s())
            await world.passes(600)
            assert len(world.sent_s()) - posted <= 1
            (one,) = (await world.ledger()).charges
            assert one.counted == 40

    passing(story())


def test_a_window_is_closed_soon_after_the_meter_can_have_settled() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            await world.start("r", 3)
            world.printers["p"].print(world.now_s, 3)
            await world.passes(1)
            await world.end("r")
            landed_s = world.now_s + 2
            while world.watcher().open_windows():
                await world.passes(0.1)
            assert world.now_s - landed_s < 10 + 4.5

    passing(story())


def test_the_baseline_is_rare_and_backs_off_for_a_silent_printer() -> None:
    async def story() -> None:
        async with World({"awake": FakePrinter(), "asleep": FakePrinter(silent=True)}) as world:
            await world.passes(24 * 3600)
            assert 80 <= len(world.sent_s("awake")) <= 125
            gaps = [later - earlier for earlier, later in pairwise(world.sent_s("asleep"))]
            assert len(gaps) < 20
            assert max(gaps) > 3 * 3600
            assert gaps[0] < gaps[-1]
            assert (await world.ledger("asleep")).findings == []

    passing(story())


def test_one_silent_printer_costs_the_others_nothing() -> None:
    async def story() -> None:
        printers = {"deaf": FakePrinter(silent=True), "well": FakePrinter()}
        async with World(printers) as world:
            await world.passes(100)
            await world.start("d", 3, "deaf")
            await world.release("w", 3, "well")
            (one,) = (await world.ledger("well")).charges
            assert one.grade is Grade.TIGHT
            (other,) = (await world.ledger("deaf")).charges
            assert other.counted is None
            assert world.meter.overlaps == 0

    passing(story())


def test_a_jam_over_the_weekend_is_polled_seldom_and_resumes() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(100)
            await world.start("r", 6)
            world.printers["p"].print(world.now_s, 6)
            await world.passes(3)
            await world.end("r")
            world.printers["p"].errors = ("jammed",)
            before = len(world.sent_s())
            await world.passes(40 * 3600)
            assert len(world.sent_s()) - before < 40 * 60 + 120
            world.printers["p"].errors = ()
            await world.passes(200)
            (one,) = (await world.ledger()).charges
            assert (one.counted, one.verdict) == (6, Verdict.AGREES)
            assert "stalled" in one.reasons

    passing(story())


def test_never_two_reads_at_once_whatever_comes() -> None:
    async def story() -> None:
        async with World({"p": FakePrinter(latency_s=3.0)}, {"p": "gw"}) as world:
            for nth in range(20):
                await world.start(f"r{nth}", 1)
                await world.badge("04A1B2C3", "gw")
                await world.passes(0.7)
            await world.passes(300)
            assert world.meter.overlaps == 0
            assert len((await world.ledger()).charges) == 20

    passing(story())


def test_a_fleets_first_reads_are_spread() -> None:
    async def story() -> None:
        world = World({f"p{nth}": FakePrinter() for nth in range(50)}, first_spread_s=30)
        async with world:
            await world.passes(31)
            firsts = [world.sent_s(name)[0] for name in world.printers]
            assert max(firsts) - min(firsts) > 15
            assert len({round(first) for first in firsts}) > 15

    passing(story())


def test_a_printers_telemetry_says_what_its_meter_showed_and_whether_it_answers() -> None:
    async def story() -> None:
        async with World() as world:
            before = world.watcher().telemetry()
            assert (before.up, before.meter, before.last_reading_us, before.figures_known) == (None, {}, None, False)
            await world.passes(1)
            up = world.watcher().telemetry()
            assert (up.printer, up.up, up.meter, up.figures_known) == ("p", True, {"total": 1000}, True)
            assert up.last_reading_us is not None
            assert world.clock.now_us() - up.last_reading_us < SECOND_US
            await world.start("r", 3)
            await world.passes(0.2)
            assert world.watcher().telemetry().open_windows == 1
            world.printers["p"].silent = True
            await world.passes(60)
            down = world.watcher().telemetry()
            assert (down.up, down.meter) == (False, {"total": 1000})

    passing(story())


def _poll_state(**changes: object) -> PollState:
    known: dict[str, object] = {
        "waiting": True, "oldest_wait_s": 5.0, "due_s": None, "interval_s": 1.0, "stirred": False, "failures": 0,
    }  # fmt: skip
    return PollState(**(known | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("poll_state", "seconds"),
    [
        (_poll_state(stirred=True, interval_s=9.0), 1.0),
        (_poll_state(interval_s=1.0), 2.0),
        (_poll_state(interval_s=8.0), 10.0),
        (_poll_state(interval_s=0.0), 2.0),
        (_poll_state(interval_s=8.0, due_s=3.0), 3.0),
        (_poll_state(interval_s=8.0, due_s=0.0), 0.05),
        (_poll_state(interval_s=1.0, due_s=30.0), 2.0),
        (_poll_state(interval_s=60.0, oldest_wait_s=700.0), 60.0),
        (_poll_state(waiting=False), 900.0),
        (_poll_state(waiting=False, failures=1), 60.0),
        (_poll_state(waiting=False, failures=2), 120.0),
        (_poll_state(waiting=False, failures=8), 7680.0),
        (_poll_state(waiting=False, failures=50), 4 * 3600.0),
    ],
)
def test_the_next_read(poll_state: PollState, seconds: float) -> None:
    """The figures are the defaults of Pace. A jitter of one half is none."""
    assert next_interval_s(PollPolicy(), poll_state, 0.5) == seconds


def test_the_baselines_jitter_keeps_a_fleet_from_asking_in_step() -> None:
    draws = [next_interval_s(PollPolicy(), _poll_state(waiting=False), jitter) for jitter in (0.0, 0.25, 0.999)]
    assert draws[0] == 720.0
    assert draws[0] < draws[1] < draws[2] < 1080.0
