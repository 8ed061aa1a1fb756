"""A period's edges: its first instant belongs to it and its end to the next, for persons, the site and the meter."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from pagereeve.domain.accounts.cost_centres import CostCentres
from pagereeve.domain.accounts.membership import received_in
from pagereeve.domain.accounts.period_sums import PeriodSums, sums_of
from pagereeve.domain.accounts.periods import Period
from pagereeve.domain.accounts.printer_accounts import PrinterAccounts, accounts_of
from pagereeve.domain.facts.facts import Assigned
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Charge, Posting, ReleaseKey, RowSegment, Stretch

FROM_US, TO_US = 1_000, 2_000
PERIOD = Period("p", ZoneInfo("UTC"), FROM_US, TO_US)
KEY = ReleaseKey("/server", "r")


def charge(
    started_us: int, closed_us: int | None, pages: int = 4, key: ReleaseKey = KEY, owner: str = "anise"
) -> Charge:
    return Charge(
        printer="library",
        release=key,
        owner=owner,
        job="j",
        channel="total",
        unit=Unit.IMPRESSIONS,
        started_us=started_us,
        ended_us=None,
        closed_us=closed_us,
        released=pages,
        counted=pages,
        charged=pages,
        unproven=0,
        expected=None,
        grade=None,
        verdict=None,
    )


def bracket(started_us: int, closes_us: int, *, pages: int = 4, surplus: int = 1, before: int = 100) -> RowSegment:
    """One release's rows: its pages are its owner's, and the rest is nobody's."""
    counted, opens_us = pages + surplus, started_us - 1
    legs = (("meter:library", -counted), ("house:surplus", surplus), ("person:anise", pages))
    stretch = Stretch(
        "library", 1, "total", Unit.IMPRESSIONS, opens_us, closes_us, before, before + counted, counted, (KEY,)
    )
    posting = Posting("library", 1, "total", opens_us, closes_us, legs)
    return RowSegment("library", opens_us, None, (stretch,), (charge(started_us, closes_us, pages),), (posting,))


def accounts(*segments: RowSegment) -> PrinterAccounts:
    (line,) = accounts_of(PERIOD, sums_of(segments, FROM_US, TO_US)).lines
    return line


@pytest.mark.parametrize(("started_us", "charged"), [(FROM_US - 1, 0), (FROM_US, 4), (TO_US - 1, 4), (TO_US, 0)])
def test_a_release_belongs_to_the_period_in_which_it_started(started_us: int, charged: int) -> None:
    sums = sums_of([bracket(started_us, started_us + 5_000)], FROM_US, TO_US)
    assert sum(one.charged for one in sums.by_printer) == charged


@pytest.mark.parametrize(("closes_us", "counted"), [(FROM_US - 1, 0), (FROM_US, 5), (TO_US - 1, 5), (TO_US, 0)])
def test_the_meter_and_the_site_go_by_the_instant_of_closing(closes_us: int, counted: int) -> None:
    sums = sums_of([bracket(10, closes_us)], FROM_US, TO_US)
    assert sum(one.counted for one in sums.meters) == counted
    assert sum(one.pages for one in sums.house) == bool(counted)


@pytest.mark.parametrize(
    ("started_us", "closes_us", "edge"),
    [
        (FROM_US, TO_US - 1, False),
        (FROM_US - 1, FROM_US, True),
        (FROM_US - 1, FROM_US - 1, False),
        (TO_US - 1, TO_US, True),
        (TO_US, TO_US, False),
        # It began before the period and ended after it: nothing of it belongs here.
        (FROM_US - 1, TO_US, False),
    ],
)
def test_a_bracket_over_an_edge_is_looked_at_again(started_us: int, closes_us: int, edge: bool) -> None:
    segment = bracket(started_us, closes_us)
    assert bool(sums_of([segment], FROM_US, TO_US).edges) is edge
    (received,) = received_in(segment)
    assert received.lies_over_an_edge_of(PERIOD) is edge
    assert received.pages_in(PERIOD) == (5 if FROM_US <= started_us < TO_US else 0)


def test_pages_counted_in_the_period_that_belong_to_the_one_before() -> None:
    line = accounts(bracket(FROM_US - 1, FROM_US), bracket(FROM_US + 10, FROM_US + 20, pages=7, before=105))
    assert (line.meter_start, line.meter_end, line.meter_counted) == (100, 113, 13)
    assert (line.over_start, line.over_end, line.counted, line.people, line.house) == (-5, 0, 8, 7, 1)
    assert line.conserved
    assert line.meter_restarts == 0


def test_pages_of_the_period_that_were_counted_after_it() -> None:
    line = accounts(bracket(TO_US - 1, TO_US), bracket(FROM_US + 10, FROM_US + 20, pages=7, before=92))
    assert (line.meter_start, line.meter_end, line.meter_counted) == (92, 100, 8)
    assert (line.over_start, line.over_end, line.counted, line.people, line.house) == (0, 5, 13, 11, 2)
    assert line.conserved


def test_a_period_in_which_nothing_closed_stands_where_the_meter_stood() -> None:
    """What was counted next says where the meter stood."""
    after = accounts(bracket(TO_US - 1, TO_US, before=200))
    assert (after.meter_start, after.meter_end, after.meter_counted, after.people, after.house) == (200, 200, 0, 4, 1)
    assert after.conserved


def test_a_bracket_of_two_releases_over_an_edge_is_parted_by_their_starts() -> None:
    """What accounts of the site received goes by the first start of all."""
    later = ReleaseKey("/server", "later")
    legs = (("meter:library", -9), ("house:surplus", 2), ("person:anise", 4), ("person:birch", 3))
    stretch = Stretch("library", 1, "total", Unit.IMPRESSIONS, 990, 1_100, 100, 109, 9, (KEY, later))
    charges = (charge(FROM_US - 1, 1_100), charge(FROM_US, 1_100, 3, later, "birch"))
    segment = RowSegment("library", 990, None, (stretch,), charges, (Posting("library", 1, "total", 990, 1_100, legs),))
    (received,) = received_in(segment)
    within = received.within(PERIOD)
    assert within is not None
    assert within.legs == (("meter:library", -3), ("person:birch", 3))
    line = accounts(segment)
    assert (line.meter_counted, line.over_start, line.counted, line.people, line.house) == (9, -6, 3, 3, 0)
    assert line.conserved


def test_of_a_name_that_was_used_again_each_stretch_has_its_own_charge() -> None:
    """The charge that closed with the stretch, or next after it: a run that ended has several rows and one charge."""
    first, second = bracket(FROM_US, 1_100), bracket(1_200, 1_300, pages=6, before=105)
    segment = RowSegment(
        "library",
        0,
        None,
        first.stretches + second.stretches,
        first.charges + second.charges + (charge(1_400, None, 9),),
        first.postings + second.postings,
    )
    found = [[(one.account, one.pages) for one in received.receipts] for received in received_in(segment)]
    assert found == [
        [("house:surplus", 1), ("person:anise", 4)],
        [("house:surplus", 1), ("person:anise", 6)],
    ]


def test_a_posting_whose_stretch_is_not_known_is_nobodys() -> None:
    segment = bracket(FROM_US, 1_100)
    other = RowSegment("library", 0, None, (), segment.charges, segment.postings)
    assert list(received_in(other)) == []
    assert accounts_of(PERIOD, PeriodSums()).lines == ()


def assigned(at_us: int, centre: str) -> Assigned:
    return Assigned(at_us, "anise", centre)


def test_a_cost_centre_is_valid_from_its_instant_on() -> None:
    centres = CostCentres([assigned(FROM_US, "b"), assigned(10, "a"), assigned(10, "a")])
    assert [centres.at("anise", at_us) for at_us in (9, 10, FROM_US - 1, FROM_US)] == ["", "a", "a", "b"]
    assert centres.at("birch", 10) == ""
    assert centres.moves_us(10, FROM_US) == []
    assert centres.moves_us(9, FROM_US + 1) == [10, FROM_US]
