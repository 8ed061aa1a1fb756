"""Totals: three figures side by side, what is unknown stays unknown, and parts sum to the whole."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from pagereeve.domain.accounts.cost_centres import CostCentres
from pagereeve.domain.accounts.own_periods import chosen
from pagereeve.domain.accounts.period_sums import HouseSum, MeterSum, PeriodSums, sums_of
from pagereeve.domain.accounts.periods import between, period_of
from pagereeve.domain.accounts.printer_accounts import AccountsOfPeriod, accounts_of
from pagereeve.domain.accounts.totals import By, Totals
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Charge, Grade, Posting, ReleaseKey, RowSegment, Stretch, Verdict
from pagereeve.domain.projection.projector import rebuild, replay
from pagereeve.domain.values.instants import from_text
from pagereeve.queries.totals import TotalsAnswer
from pagereeve.reports.exports.csv_file import CsvForm
from pagereeve.reports.text import guarded
from pagereeve.reports.totals import (
    accounts_table,
    answer_json,
    answer_tables,
    period_line,
    totals_table,
)
from tests.exports import csv_bytes
from tests.histories import assigned
from tests.property.days import PRINTER, make_day

UTC = ZoneInfo("UTC")


def charge(
    owner: str = "anise",
    started: str = "2026-11-10T09:00:00Z",
    released: int | None = 5,
    counted: int | None = 5,
    charged: int = 5,
    unproven: int = 0,
    verdict: Verdict | None = Verdict.AGREES,
    channel: str = "total",
    printer: str = "library",
) -> Charge:
    at_us = from_text(started)
    return Charge(
        printer=printer,
        release=ReleaseKey("/server", f"r-{started}-{owner}"),
        owner=owner,
        job="j",
        channel=channel,
        unit=Unit.IMPRESSIONS,
        started_us=at_us,
        ended_us=None,
        closed_us=at_us + 1,
        released=released,
        counted=counted,
        charged=charged,
        unproven=unproven,
        expected=None,
        grade=Grade.TIGHT,
        verdict=verdict,
    )


def test_released_counted_and_charged_stand_side_by_side() -> None:
    rows = [
        charge(),
        charge(released=10, counted=8, charged=8, verdict=Verdict.SHORTFALL),
        charge(released=3, counted=4, charged=3, verdict=Verdict.SURPLUS),
    ]
    (line,) = Totals("person").add_all(rows).lines()
    assert (line.releases, line.released.pages, line.counted.pages, line.charged) == (3, 18, 17, 16)
    assert line.verdicts == {"agrees": 1, "surplus": 1, "shortfall": 1, "unproven": 0, "open": 0}


def test_what_no_release_says_stays_unknown_and_is_never_0() -> None:
    # fusioninventory/fusioninventory-for-glpi#1858: 100, -, 130: the day between is unknown.
    rows = [charge(released=None, counted=None, charged=0, unproven=0, verdict=Verdict.UNPROVEN)]
    (line,) = Totals("person").add_all(rows).lines()
    assert line.released.pages is None
    assert line.counted.pages is None
    assert line.counted.unknown == 1
    row = next(csv.DictReader(io.StringIO(csv_bytes("person", [line]).decode())))
    assert row["counted"] == ""
    assert row["counted_unknown"] == "1"


def test_a_known_figure_beside_an_unknown_one_tells_of_both() -> None:
    rows = [charge(), charge(counted=None, charged=0, unproven=5, verdict=Verdict.UNPROVEN), charge(verdict=None)]
    (line,) = Totals("person").add_all(rows).lines()
    assert (line.counted.pages, line.counted.unknown, line.unproven, line.verdicts["open"]) == (10, 1, 5, 1)


def test_channels_are_never_added_up_and_only_claimed_ones_are_the_bill() -> None:
    lines = Totals("person").add_all([charge(), charge(channel="colour", released=None, counted=2, charged=2)]).lines()
    assert [(line.channel, line.billed, line.charged) for line in lines] == [("total", True, 5), ("colour", False, 2)]


def test_pages_go_to_the_cost_centre_that_was_valid_when_the_release_started() -> None:
    # vageeshs7/ot-personaldata#55: CC1 until the 14th (30 pages), CC2 from the 15th (20).
    centres = CostCentres(
        [
            assigned("anise", "CC2", from_text("2026-11-15T00:00:00Z")),
            assigned("anise", "CC1", from_text("2026-01-01T00:00:00Z")),
        ]
    )
    rows = [
        charge(started="2026-11-14T23:59:59Z", charged=30),
        charge(started="2026-11-15T00:00:00Z", charged=20),
        charge(owner="basil", charged=7),
    ]
    lines = Totals("cost-centre", centres).add_all(rows).lines()
    assert {line.who: line.charged for line in lines} == {"CC1": 30, "CC2": 20, "": 7}
    assert b"\r\n,people,people,,total" in csv_bytes("cost-centre", lines)


def test_the_days_of_a_month_sum_to_the_month() -> None:
    # fusioninventory/fusioninventory-for-glpi#2121: the month's first day takes nothing with it.
    zone = ZoneInfo("Europe/Berlin")
    month = period_of("2024-10", zone)
    stamps = ["2024-09-30T21:59:59Z", "2024-09-30T22:00:00Z", "2024-10-27T00:30:00Z", "2024-10-27T01:30:00Z"]
    stamps += ["2024-10-31T22:59:59Z", "2024-10-31T23:00:00Z"]
    rows = [charge(started=stamp, charged=index) for index, stamp in enumerate(stamps)]

    def charged(from_us: int, to_us: int) -> int:
        inside = [row for row in rows if from_us <= row.started_us < to_us]
        return sum(line.charged for line in Totals("person").add_all(inside).lines())

    whole = charged(month.from_us, month.to_us)
    assert whole == 1 + 2 + 3 + 4
    assert sum(charged(day.from_us, day.to_us) for day in month.days()) == whole


@given(st.integers(0, 2**32), st.sampled_from(["person", "cost-centre", "printer"]))
def test_however_they_are_grouped_totals_have_the_same_sum(seed: int, by: By) -> None:
    day = make_day(seed)
    ledger = replay(PRINTER, day.facts, day.open_run)
    lines = Totals(by).add_all(ledger.charges).lines()
    assert sum(line.charged for line in lines) == sum(row.charged for row in ledger.charges)
    assert sum(line.unproven for line in lines) == sum(row.unproven for row in ledger.charges)
    assert sum(line.releases for line in lines) == len(ledger.charges)
    assert all(sum(line.verdicts.values()) == line.releases for line in lines)


ALWAYS = between(None, None, UTC)


@given(st.integers(0, 2**32))
def test_what_a_printer_counted_is_what_people_and_the_house_received(seed: int) -> None:
    day = make_day(seed)
    segments = rebuild(PRINTER, day.facts, day.open_run)
    lines = accounts_of(ALWAYS, sums_of(segments, ALWAYS.from_us, ALWAYS.to_us)).lines
    counted = sum(stretch.counted for segment in segments for stretch in segment.stretches)
    assert sum(line.counted for line in lines) == counted
    assert all(line.conserved for line in lines)


def accounts(counted: int, charged: int, *house: HouseSum) -> AccountsOfPeriod:
    meter = MeterSum("library", 1, "total", "impressions", 100, 100 + counted, counted)
    (total,) = Totals("printer").add_all([charge(charged=charged)]).lines()
    return accounts_of(ALWAYS, PeriodSums((total,), (meter,), house))


def test_accounts_that_do_not_add_up_are_shown_as_such() -> None:
    (line,) = accounts(5, 4).lines
    assert not line.conserved
    console = Console(width=200, file=io.StringIO())
    console.print(accounts_table([line]))
    assert "NO" in console.file.getvalue()  # type: ignore[attr-defined]


def test_a_shortfall_is_a_negative_receipt_of_the_house() -> None:
    (line,) = accounts(3, 5, HouseSum("library", 1, "total", "house:shortfall", -2)).lines
    assert (line.counted, line.people, line.house, line.conserved) == (3, 5, -2, True)
    assert (line.meter_start, line.meter_end, line.meter_restarts) == (100, 103, 0)


def test_a_meter_that_restarts_says_by_how_much_its_figures_miss_what_it_counted() -> None:
    meters = (
        MeterSum("library", 1, "total", "impressions", 900, 950, 50),
        MeterSum("library", 2, "total", "impressions", 0, 7, 7),
    )
    (line,) = accounts_of(ALWAYS, PeriodSums(meters=meters)).lines
    assert (line.meter_start, line.meter_end, line.meter_restarts, line.counted) == (900, 7, 950, 57)


def test_the_table_of_a_period_shows_the_stretches_over_its_edges() -> None:
    """A bracket of two releases: one started before midnight, the other after it, and the house has a page of it."""
    midnight = from_text("2026-11-11T00:00:00Z")
    before, after = charge(started="2026-11-10T23:59:00Z"), charge("basil", started="2026-11-11T00:00:10Z")
    closes_us = midnight + 60_000_000
    bracket = Stretch(
        "library",
        1,
        "total",
        Unit.IMPRESSIONS,
        before.started_us - 1,
        closes_us,
        100,
        111,
        11,
        (before.release, after.release),
        Grade.SHARED,
        Verdict.SURPLUS,
    )
    legs = (("meter:library", -11), ("house:surplus", 1), ("person:anise", 5), ("person:basil", 5))
    posting = Posting("library", 1, "total", bracket.opens_us, closes_us, legs)
    charges = (replace(before, closed_us=closes_us), replace(after, closed_us=closes_us))
    segment = RowSegment("library", 0, None, (bracket,), charges, (posting,))
    shown = {}
    for name in ("2026-11-10", "2026-11-11"):
        period = period_of(name, UTC)
        found = accounts_of(period, sums_of([segment], period.from_us, period.to_us))
        (line,), (edge,) = found.lines, found.edges
        assert line.conserved
        shown[name] = (line.meter_start, line.meter_end, line.over_start, line.over_end, line.people, line.house)
        assert (edge.stretch, edge.pages) == (bracket, line.counted)
        answer = TotalsAnswer(period, "printer", tuple(Totals("printer").lines()), found)
        (total,) = answer_json(answer)["total"]
        assert total["pages"] == line.counted
        console = Console(width=200, file=io.StringIO())
        console.print(*answer_tables(answer))
        text = console.file.getvalue()  # type: ignore[attr-defined]
        assert "stretches over an edge of the period" in text
        assert "a finding counts beyond the most that was expected" in text
        assert "2026-11-11 00:01:00+00:00" in text
        local = replace(answer, period=replace(period, zone=ZoneInfo("Europe/Berlin")))
        console.print(*answer_tables(local))
        assert "2026-11-11 01:01:00+01:00" in console.file.getvalue()  # type: ignore[attr-defined]
        assert answer_json(answer)["edges"][0]["pages"] == line.counted
    assert shown == {"2026-11-10": (100, 100, 0, 6, 5, 1), "2026-11-11": (100, 111, -6, 0, 5, 0)}


def test_a_period_is_said_by_its_name_and_all_time_by_none() -> None:
    always = chosen(None, None, None, ZoneInfo("UTC"))
    assert period_line(always, "Findings that began") == "Findings that began: from the beginning to now (UTC)"
    november = period_line(period_of("2026-11", ZoneInfo("Europe/Berlin")))
    begins, ends = "2026-11-01 00:00:00+01:00", "just before 2026-12-01 00:00:00+01:00"
    assert november == f"Releases started in 2026-11: from {begins} to {ends} (Europe/Berlin)"


@pytest.mark.parametrize("name", ["=1+2", "+49", "-2+3", "@sum", "\tx", " =1", "\uff1d1"])
def test_text_that_begins_like_a_formula_is_guarded(name: str) -> None:
    assert guarded(name) == f"'{name}"


def test_a_byte_order_mark_stands_alone_without_a_separator_hint() -> None:
    # Belphemur/vue-json-csv#43: the file starts EF BB BF and has no hint line.
    lines = Totals("person").add_all([charge(owner="Jürgen Ößwald")]).lines()
    raw = csv_bytes("person", lines, form=CsvForm(bom=True))
    assert raw.startswith(b"\xef\xbb\xbfperson,name,id,logins,kind")
    assert b"sep=" not in raw
    assert "Jürgen Ößwald" in raw.decode()


def test_csv_is_rectangular_and_lines_up_with_the_json() -> None:
    lines = Totals("printer").add_all([charge(), charge(printer="hall", verdict=None)]).lines()
    rows = list(csv.reader(io.StringIO(csv_bytes("printer", lines).decode())))
    assert {len(row) for row in rows} == {len(rows[0])}
    answer = TotalsAnswer(between(None, None, UTC), "printer", tuple(lines), AccountsOfPeriod((), ()))
    body = json.loads(json.dumps(answer_json(answer)))
    assert body["period"] == {"name": "always", "zone": "UTC", "from": None, "to": None}
    assert [one["printer"] for one in body["totals"]] == [row[0] for row in rows if row[1] == "people"]
    assert body["accounts"] == []


def test_the_table_shows_a_question_mark_for_the_unknown_and_obeys_no_markup() -> None:
    rows = [charge(owner="[red]x[/red]", counted=None, charged=0, unproven=5, verdict=Verdict.UNPROVEN)]
    console = Console(width=200, file=io.StringIO())
    console.print(totals_table("person", Totals("person").add_all(rows).lines()))
    shown = console.file.getvalue()  # type: ignore[attr-defined]
    assert "[red]x[/red]" in shown
    assert " ? " in shown
    assert "1 unproven" in shown
