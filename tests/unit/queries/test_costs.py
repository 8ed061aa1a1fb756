"""What pages cost, in virtual time: by person, cost centre and printer, with a ticket's sides."""

from __future__ import annotations

import asyncio
import csv
import io
from collections import Counter
from decimal import Decimal
from typing import cast

from pagereeve.domain.accounts.frozen_answers import CostsBy
from pagereeve.domain.accounts.own_periods import chosen
from pagereeve.domain.accounts.rates import Bill, Rate, RateCard, Rates
from pagereeve.domain.facts.facts import Assigned
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Charge, Grade, ReleaseKey, RowSegment, Verdict
from pagereeve.queries.costs import Costs, CostsAnswer, costs_of
from pagereeve.reports.costs import costs_csv, costs_json
from pagereeve.reports.exports.csv_file import CsvForm
from pagereeve.store.memory.journal import MemoryJournal
from tests.exports import UTC
from tests.page_decisions import confirmed, undone
from tests.unit.engine.virtual import passing
from tests.unit.engine.world import FakePrinter, World

ALWAYS = chosen(None, None, None, UTC)
CARD = RateCard(
    "2026",
    "EUR",
    0,
    (
        Rate("total", Decimal("0.025")),
        Rate("total", Decimal("0.02"), sides="two-sided"),
        Rate("total", Decimal("0.1"), price_class="plotter"),
    ),
)


async def printed(world: World, release: str, pages: int, printer: str = "p", sides: str = "one-sided") -> None:
    await world.start(release, pages, printer, ticket={"sides": sides})
    world.printers[printer].print(world.now_s, pages)
    await world.passes(2)
    await world.end(release)
    await world.passes(2 + 0.5 * pages + 25)


async def costs(world: World, by: CostsBy, *cards: RateCard) -> CostsAnswer:
    return await costs_of(world.store, ALWAYS, by, Rates(cards or [CARD]), {"q": "plotter"})


def test_each_release_goes_by_its_own_ticket_and_printer_and_a_line_is_rounded_once() -> None:
    async def story() -> None:
        async with World(printers={"p": FakePrinter(), "q": FakePrinter()}) as world:
            await world.passes(5)
            for nth in range(7):
                await printed(world, f"single-{nth}", 1)
            await printed(world, "double", 4, sides="two-sided-long-edge")
            await printed(world, "plotted", 2, "q")
            for nth in range(7):
                await world.store.append(Assigned(0, f"owner-single-{nth}", "physics"))
            by_printer = await costs(world, "printer")
            assert [(one.who, [amount.text for amount in one.bill.amounts()]) for one in by_printer.lines] == [
                ("p", ["0.26"]),
                ("q", ["0.20"]),
            ]
            by_person = await costs(world, "person")
            assert [one.text for one in by_person.totals()] == ["0.49"]
            assert by_person.totals()[0].remainder == Decimal("-0.035")
            by_centre = await costs(world, "cost-centre")
            assert {one.who: one.bill.amounts()[0].text for one in by_centre.lines} == {"": "0.28", "physics": "0.18"}
            rows = list(csv.reader(io.StringIO(costs_csv(by_centre, CsvForm.of("de")).lstrip("\ufeff")), delimiter=";"))
            assert rows[-1] == ["total", "", "EUR", "0,46", "46", "-0,005", "", ""]
            assert costs_json(by_centre)["totals"] == [
                {"currency": "EUR", "amount": "0.46", "minor_units": 46, "left_over": "-0.005"}
            ]

    passing(story())


def test_pages_that_no_price_fits_are_shown_and_in_no_amount() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(5)
            await printed(world, "r1", 3)
            answer = await costs(world, "person", RateCard("later", "EUR", 2**60, CARD.rates))
            assert (answer.unpriced, answer.totals()) == ({"total": 3}, ())
            assert costs_csv(answer, CsvForm()).splitlines()[1:] == [
                "line,owner-r1,,,,,,,total,3",
                "total,,,,,,,,total,3",
            ]

    passing(story())


def test_a_name_that_is_used_again_has_the_ticket_of_its_own_start() -> None:
    async def story() -> None:
        async with World() as world:
            await world.passes(5)
            await printed(world, "r1", 4, sides="two-sided-long-edge")
            await printed(world, "r1", 4)
            await printed(world, "r1", 4, sides="two-sided-short-edge")
            answer = await costs(world, "person")
            assert [one.text for one in answer.totals()] == ["0.26"]

    passing(story())


def test_every_column_adds_up_to_its_totals_whatever_a_line_has_of_currencies_and_of_pages_without_a_price() -> None:
    lines = [
        Costs("anise", {"total": 9, "colour": 4}, Bill({"EUR": Decimal("0.1"), "CHF": Decimal(1)}, {"total": 3})),
        Costs("basil", {"total": 9, "colour": 4}, Bill({}, {"total": 5, "colour": 4})),
        Costs("clove", {"total": 9}, Bill({"EUR": Decimal("0.2")})),
    ]
    answer = CostsAnswer(ALWAYS, "person", tuple(lines))
    rows = list(csv.DictReader(io.StringIO(costs_csv(answer, CsvForm()))))

    def sums(kind: str) -> Counter[tuple[str, str]]:
        found: Counter[tuple[str, str]] = Counter()
        for row in (one for one in rows if one["kind"] == kind):
            found["minor", row["currency"]] += int(row["minor_units"] or 0)
            found["pages", row["unpriced_channel"]] += int(row["unpriced_pages"] or 0)
        return +found

    assert sums("line") == sums("total")
    assert sums("total") == {("minor", "EUR"): 30, ("minor", "CHF"): 100, ("pages", "total"): 8, ("pages", "colour"): 4}
    assert costs_json(answer)["unpriced_pages"] == {"colour": 4, "total": 8}


def test_what_was_confirmed_costs_as_its_ticket_says_and_an_undo_takes_it_back() -> None:
    key = ReleaseKey("/server", "r-1")
    figures = (None, 0, 4, None, Grade.BLIND, Verdict.UNPROVEN)
    charge = Charge("q", key, "anise", "job", "total", Unit.IMPRESSIONS, 10, 20, 30, 4, *figures)

    async def story() -> None:
        journal = MemoryJournal()
        await journal.replace("q", None, [RowSegment("q", 0, None, charges=(charge,))])
        decided = confirmed("d", 50, charge, 3)
        await journal.append(decided)
        for by, who in (("person", "anise"), ("printer", "q"), ("cost-centre", "")):
            answer = await costs_of(journal, ALWAYS, cast("CostsBy", by), Rates([CARD]), {"q": "plotter"})
            shown = [(one.who, one.pages, [amount.text for amount in one.bill.amounts()]) for one in answer.lines]
            assert shown == [(who, {"total": 3}, ["0.30"])]
        await journal.append(undone("u", 60, decided))
        assert (await costs_of(journal, ALWAYS, "person", Rates([CARD]), {})).lines == ()

    asyncio.run(story())
