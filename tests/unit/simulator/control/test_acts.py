"""What may be asked of simulated printers, and what is refused; without sockets where none is needed."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.domain.values.instants import SECOND_US as S
from pagereeve.simulator.college.college import College
from pagereeve.simulator.college.more_places import PLACES_MAX, places_for
from pagereeve.simulator.college.roll import PLACES
from pagereeve.simulator.control.acts import ACTS, Bench
from pagereeve.simulator.control.local_control import REQUEST_MAX_BYTES, LocalControl, NoControl, ask
from pagereeve.simulator.control.printing import PrintAsk, ask_of
from pagereeve.simulator.errors import BadAct, BadScenario
from pagereeve.simulator.printer.model import PrinterSpec, PrintJob
from pagereeve.simulator.printer.print_engine import PrintEngine

NAMES = tuple(place.printer for place in PLACES)


def test_sleep_is_shown_until_somebody_wakes_it_or_prints() -> None:
    engine = PrintEngine(PrinterSpec("p", first_sheet_us=S, warm_up_us=3 * S), seed=1)
    assert engine.show(S).printer_status == 3
    engine.sleep(2 * S)
    assert engine.show(2 * S).printer_status == 1
    engine.wake(3 * S)
    assert engine.show(3 * S).printer_status == 3
    engine.sleep(4 * S)
    engine.submit(PrintJob("job", 1), 5 * S)
    assert engine.show(5 * S).printer_status == 5
    # 4 s until the first sheet, which takes 0.1 s: it was cold.
    assert engine.meter(9 * S) == 1_000
    assert engine.meter(10 * S) == 1_001
    assert engine.show(60 * S).printer_status == 3


def test_an_agent_that_restarts_begins_its_uptime_and_keeps_the_count() -> None:
    engine = PrintEngine(PrinterSpec("p"), seed=1)
    engine.restart_agent(50 * S)
    shown = engine.show(53 * S)
    assert (shown.uptime_cs, shown.life_count) == (300, 1_000)


def test_places_go_on_behind_the_college() -> None:
    assert places_for(3) == PLACES[:3]
    many = places_for(PLACES_MAX)
    assert many[:10] == PLACES
    for names in ([one.printer for one in many], [one.spec.serial for one in many]):
        assert len(set(names)) == PLACES_MAX
    assert {one.gateway for one in many[10:20]} == {"annex-1"}
    with pytest.raises(BadScenario, match="1 to 100 can"):
        places_for(PLACES_MAX + 1)


def test_what_print_takes() -> None:
    asked = ask_of(["--pages", "3", "--two-sided", "--copies", "2", "--owner", "user-birch"])
    assert asked == PrintAsk(3, 2, two_sided=True, owner="user-birch")
    assert asked.text == "3 pages, 2 copies, two-sided"
    assert PrintAsk().text == "1 page, 1 copy, one-sided"


@pytest.mark.parametrize("given", [["--pages"], ["--pages", "0"], ["--copies", "1000"], ["--pages", "x"], ["3"]])
def test_what_print_refuses(given: list[str]) -> None:
    with pytest.raises(BadAct):
        ask_of(given)


async def standing(printers: int = 2) -> tuple[College, Bench]:
    clock = SystemClock()
    college = College(1, clock, places=places_for(printers))
    await college.start()
    return college, Bench(college, clock)


async def test_each_act_answers_with_what_is_now_so() -> None:
    college, bench = await standing()
    try:
        answers = {
            line: await bench.perform(["library-ground", *line.split()])
            for line in (
                *("silence 5", "answer", "sleep", "wake", "restart-agent", "jam", "clear", "tray-empty", "refill"),
                *("reset", "copies 2", "replace"),
            )
        }
        tried = {line.split()[0] for line in answers}
        assert tried == set(ACTS) - {"print"}
        for line, part in {
            "silence 5": "its agent is silent for 5 s\nlibrary-ground: idle, count 41207",
            "answer": "its agent answers again\nlibrary-ground: idle",
            "sleep": "library-ground: asleep",
            "wake": "library-ground: idle",
            "reset": "its counter is 0\nlibrary-ground: idle, count 0, serial WC-1001",
            "copies 2": "2 pages, without a release",
            "replace": "count 0, serial WC-1001-2",
        }.items():
            assert part in answers[line], line
        assert answers["silence 5"].endswith("its agent is silent")
        assert (await bench.perform(["show"])).count("\n") == 1
        refilled = await bench.perform(["library-upper", "tray-empty"])
        college.copy("library-upper", 1)
        await asyncio.sleep(1.0)
        assert "stopped (noPaper)" in await bench.perform(["show", "library-upper"])
        assert refilled.startswith("the tray is empty")
    finally:
        await college.stop()


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["library-ground", "explode"], "'explode' is no act. There are: jam, clear,"),
        (["nobody", "jam"], "nobody is no printer of the college; there are library-ground, library-upper"),
        (["library-ground"], "write PRINTER ACT"),
        ([], "write PRINTER ACT"),
        (["library-ground", "jam", "now"], "jam takes nothing more"),
        (["library-ground", "copies"], "N is one whole number from 1 to 1000"),
        (["library-ground", "silence", "-1"], "SECONDS is one whole number"),
        (["print", "library-ground", "--owner", "nobody"], "nobody is nobody at the college; there are user-anise"),
        (["x" * 65, "jam"], "too long"),
        (["x"] * 17, "too long"),
    ],
)
async def test_what_is_refused_says_what_there_is(words: list[str], part: str) -> None:
    college, bench = await standing()
    try:
        with pytest.raises((BadAct, BadScenario)) as refused:
            await bench.perform(words)
        assert part in str(refused.value)
    finally:
        await college.stop()


async def echo(words: object) -> str:
    return str(words)


async def test_the_control_serves_our_user_alone_and_within_limits(tmp_path: Path) -> None:
    path = tmp_path / "control.sock"
    control = LocalControl(path, echo)
    await control.start()
    try:
        assert path.stat().st_mode & 0o777 == 0o600
        assert await ask(path, ["a", "b c"]) == (True, "['a', 'b c']")
        done, text = await ask(path, ["x" * REQUEST_MAX_BYTES])
        assert (done, text) == (False, "no whole request came in 5 s and 4096 bytes")
        reader, writer = await asyncio.open_unix_connection(path)
        writer.write(b"{}\n")
        assert b"a JSON list of words" in await reader.readline()
        writer.close()
        await writer.wait_closed()
        with pytest.raises(NoControl, match="another simulate runs"):
            await LocalControl(path, echo).start()
    finally:
        await control.stop()
    with pytest.raises(NoControl, match="start pagereeve simulate"):
        await ask(path, ["show"])


async def test_a_socket_that_was_left_behind_is_replaced(tmp_path: Path) -> None:
    path = tmp_path / "control.sock"
    left = await asyncio.start_unix_server(lambda _, __: None, path)
    left.close()
    await left.wait_closed()
    control = LocalControl(path, echo)
    await control.start()
    assert await ask(path, ["a"]) == (True, "['a']")
    await control.stop()
