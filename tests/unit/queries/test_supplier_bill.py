"""A supplier's bill against what the engine read in virtual time, and how it is told."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.supplier_bill import Agreement, BilledFigure, BillLine, Match, Unsaid
from pagereeve.queries.supplier_bill import check_bill
from pagereeve.reports.supplier_bill import bill_json, bill_text
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
            found = await check_bill(world.store, lines)
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
