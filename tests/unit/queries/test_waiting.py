"""Pages and releases that wait stand beside what is conserved: in totals by printer, and in what the watcher shows."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.own_periods import chosen
from pagereeve.domain.accounts.printer_accounts import PrinterAccounts
from pagereeve.queries.totals import totals_of
from pagereeve.queries.waiting import pages_waiting
from pagereeve.reports.totals import answer_json
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import World

ALWAYS = chosen(None, None, None, ZoneInfo("UTC"))


async def half_printed(world: World, *, before: int) -> None:
    """After so many whole releases one of 10 pages, of which 4 come out before the printer stops."""
    for nth in range(before):
        await world.release(f"whole-{nth}", 3)
    await world.start("half", 10)
    world.printers["p"].print(world.now_s, 4)
    await world.passes(5)
    await world.end("half")
    await world.passes(1)
    world.printers["p"].errors = ("noPaper",)
    await world.passes(60)


async def line_of(world: World) -> PrinterAccounts:
    answer = await totals_of(world.store, ALWAYS, "printer")
    (line,) = answer.accounts.lines
    shown = answer_json(answer)["accounts"][0]
    assert (shown["pages_waiting"], shown["releases_waiting"]) == (line.pages_waiting, line.releases_waiting)
    return line


def test_what_waits_at_a_stopped_printer_is_counted_behind_its_last_cut() -> None:
    async def story() -> None:
        for before in (0, 1, 4):
            async with World() as world:
                await half_printed(world, before=before)
                line = await line_of(world)
                assert (line.people, line.pages_waiting, line.releases_waiting) == (3 * before, 4, 1)
                assert line.conserved
                told = world.watcher().telemetry()
                assert (told.pages_waiting, told.releases_waiting) == ({"total": 4}, 1)

    passing(story())


def test_nothing_waits_once_all_is_judged() -> None:
    async def story() -> None:
        async with World() as world:
            await world.release("r", 3)
            line = await line_of(world)
            assert (line.people, line.pages_waiting, line.releases_waiting) == (3, 0, 0)
            told = world.watcher().telemetry()
            assert (told.pages_waiting, told.releases_waiting) == ({"total": 0}, 0)

    passing(story())


def test_a_figure_below_that_of_the_last_cut_is_not_known() -> None:
    async def story() -> None:
        async with World() as world:
            await half_printed(world, before=1)
            world.printers["p"].value = 5
            await world.passes(60)
            assert await pages_waiting(world.store, ["p", "never-read"]) == {("p", "total"): None}

    passing(story())
