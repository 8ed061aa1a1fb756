"""A supplier's bill against what the engine read in virtual time, and how it is told."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.supplier_bill import Agreement, BilledFigure, BillLine, Match, Unsaid
from pagereeve.domain.facts.facts import PlateauRead
from pagereeve.domain.values.instants import to_text
from pagereeve.queries.supplier_bill import check_bill
from pagereeve.reports.supplier_bill import bill_json, bill_text
from pagereeve.store.memory.journal import MemoryJournal
from tests.histories import at, reading
from tests.noted_readings import noted, taken_back
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import FakePrinter, World


def line(serial: str, opening: tuple[int, int], closing: tuple[int, int], channel: str = "total") -> BillLine:
    (first, first_us), (last, last_us) = opening, closing
    return BillLine(2, serial, channel, BilledFigure(first, first_us, first_us), BilledFigure(last, last_us, last_us))


def test_lines_agree_differ_or_cant_be_said() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(60)
            first_us = world.clock.now_us()
            for nth in range(3):
                await world.release(f"r{nth}", 10)
            await world.passes(3_600)
            last_us = world.clock.now_us()
            await world.passes(3_600)
            lines = [
                line(" k-1", (1_000, first_us), (1_030, last_us)),
                line("K1", (1_000, first_us), (1_041, last_us)),
                line("K1", (990, first_us), (1_030, last_us)),
                line("K1", (1_000, first_us - 10**12), (1_030, last_us)),
                line("K1", (0, first_us), (3, last_us), "colour"),
                line("K2", (1_000, first_us), (1_030, last_us)),
            ]
            found = [checked for one in lines for checked in await check_bill(world.store, [one])]
            assert [one.agreement.value for one in found] == [
                "agrees",
                "differs",
                "differs",
                "unknown",
                "unknown",
                "unknown",
            ]
            assert found[0].counted == (30, 30)
            assert found[1].closing is not None
            assert (found[1].closing.off, found[1].printers) == (11, ("p",))
            assert found[2].opening is not None
            assert found[2].opening.off == -10
            assert found[3].opening is not None
            assert found[3].opening.why is Unsaid.NO_READING_BEFORE
            assert found[4].opening is not None
            assert found[4].opening.why is Unsaid.NO_SUCH_CHANNEL
            assert found[5].match is Match.NOBODY
            text = bill_text(found, ZoneInfo("UTC"))
            assert text.startswith("6 lines of the bill: 2 differ, 3 can't be said, 1 agrees.")
            assert "1041 is 11 more than the most that the meter can have shown: 1030 at" in text
            assert [one["agreement"] for one in bill_json(found)] == [one.agreement.value for one in found]

    passing(story())


def test_a_serial_number_that_two_printers_give_is_nobodys() -> None:
    async def story() -> None:
        async with World(printers={"p": FakePrinter(), "q": FakePrinter()}) as world:
            await world.passes(60)
            at_us = world.clock.now_us()
            (found,) = await check_bill(world.store, [line("K1", (1_000, at_us), (1_000, at_us))])
            assert (found.match, found.printers, found.agreement) == (Match.SEVERAL, ("p", "q"), Agreement.UNKNOWN)
            assert "2 printers gave this serial number: p, q" in bill_text([found], ZoneInfo("UTC"))

    passing(story())


def test_what_two_lines_bill_is_no_agreement() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(60)
            first_us = world.clock.now_us()
            await world.release("r1", 10)
            middle_us = world.clock.now_us()
            await world.release("r2", 10)
            await world.passes(60)
            last_us = world.clock.now_us()
            await world.passes(3_600)
            first, middle, last = (1_000, first_us), (1_010, middle_us), (1_020, last_us)
            lines = [
                replace(line(*one), line=number)
                for number, one in enumerate([("K1", first, middle), ("K1", middle, last), ("k-1", first, middle)], 2)
            ]
            found = await check_bill(world.store, lines)
            assert [one.again for one in found] == [None, None, 2]
            assert [one.agreement for one in found] == [Agreement.AGREES, Agreement.AGREES, Agreement.DIFFERS]
            assert "line 4: k-1 (p), total (bills pages that line 2 bills too)" in bill_text(found, ZoneInfo("UTC"))
            assert bill_json(found)[2]["bills_again"] == 2

    passing(story())


def test_a_device_that_stood_elsewhere_on_other_lines_dates_is_found_by_its_own() -> None:
    """K1 stands at p, then at q: a line of its time at q is not in doubt because another one is of its time at p."""

    async def story() -> None:
        store = MemoryJournal()
        for printer, seconds, serial in (("p", 0, "K1"), ("p", 9_000, "K2"), ("q", 0, "K3"), ("q", 9_000, "K1")):
            for first in (seconds, seconds + 100):
                await store.append(serial_read(printer, serial, first, 100 + first))
        early, late = (105, at(50)), (9_105, at(9_050))
        alone = await check_bill(store, [line("K1", late, late)])
        both = await check_bill(store, [line("K1", early, early), line("K1", late, late), line("K2", late, late)])
        assert [one.printers for one in both] == [("p",), ("q",), ("p",)]
        assert both[1] == alone[0]
        assert [one.agreement for one in both] == [Agreement.AGREES] * 3

    passing(story())


def serial_read(printer: str, serial: str, first: float, total: int) -> PlateauRead:
    plateau = reading(first, first + 10, total).plateau
    return PlateauRead(printer, replace(plateau, sight=replace(plateau.sight, serial=serial)))


def test_one_page_is_one_and_a_meter_that_wrapped_bills_no_pages_below_0() -> None:
    async def story() -> None:
        store = MemoryJournal()
        await store.append(serial_read("p", "K1", 0, 100))
        now = at(5)
        found = await check_bill(
            store, [line("K1", (100, now), (101, now)), line("K1", (4_294_967_295, now), (5, now))]
        )
        text = bill_text(found, ZoneInfo("UTC"))
        assert "K1 (p), total: 1 page billed" in text
        assert "K1 (p), total: the closing figure is below the opening one" in text

    passing(story())


async def test_what_people_read_from_the_panel_stands_beside_the_meter_and_in_its_place() -> None:
    store = MemoryJournal()
    await store.append(serial_read("p", "K1", 0, 1_000))
    for nth, (seconds, figure) in enumerate([(-40, 1_000), (-10, 1_020), (5, 1_090)]):
        await store.append(noted("p", f"n-{nth}", at(seconds), figure))
    wrong = noted("p", "n-9", at(5), 999_999)
    await store.append(wrong)
    await store.append(taken_back("v-1", wrong))
    lines = [
        line("K1", (1_000, at(-40)), (1_090, at(5))),
        line("K1", (1_010, at(-20)), (1_021, at(-10))),
        line("K1", (900, at(-90)), (1_000, at(1))),
    ]
    first, second, third = await check_bill(store, lines)
    assert first.opening is not None
    assert (first.opening.agreement, first.opening.by_panel) == (Agreement.AGREES, True)
    assert first.closing is not None
    # The meter shows 1,000: it decides, and the panel's figure is said to lie beyond it.
    assert (first.closing.agreement, first.closing.by_panel, first.closing.off) == (Agreement.DIFFERS, False, 90)
    assert [(one.figure, one.off) for one in first.closing.panels] == [(1_090, 90)]
    ends = [end for end in (second.opening, second.closing) if end is not None]
    assert [end.agreement.value for end in ends] == ["agrees", "differs"]
    assert third.opening is not None
    assert (third.opening.agreement, third.opening.panels) == (Agreement.UNKNOWN, ())
    text = bill_text([first], ZoneInfo("UTC"))
    assert "opening 1000 agrees: the panel, as people read it, showed 1000 at" in text
    assert ": 1090, 90 more than the most that the meter's own readings allow: one of the two is wrong" in text
    assert bill_json([first])[0]["closing"]["panel"] == [{"figure": 1_090, "at": to_text(at(5)), "off": 90}]
