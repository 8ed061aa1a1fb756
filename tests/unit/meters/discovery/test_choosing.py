"""Which counter is billed, what its unit is, which names go into one request: the pure parts of discovery."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pagereeve.domain.facts.reading import Unit, UnitGrade
from pagereeve.meters.discovery.channels import ChannelFigure, PinnedChannel, RestsOn, Term
from pagereeve.meters.discovery.choosing import Candidate, Choice, choose
from pagereeve.meters.discovery.inferring import infer_units
from pagereeve.meters.discovery.layout import laid_out
from pagereeve.meters.discovery.profile import shipped_profiles
from pagereeve.meters.discovery.serials import names_nobody
from pagereeve.meters.discovery.units import NO_PAGES, NOT_KNOWN, KnownUnit
from pagereeve.meters.snmp.names import SYS_UP_TIME

SIDES = KnownUnit(Unit.IMPRESSIONS, UnitGrade.SAID)
SHEETS = KnownUnit(Unit.SHEETS, UnitGrade.SAID)
STANDARD, MAKER = "Printer-MIB", "a maker"


def counts(
    name: str, value: int, source: str = MAKER, known: KnownUnit = SIDES, rests_on: RestsOn = "recording"
) -> Candidate:
    terms = (Term(f"{source} {name}".encode()),)
    channel = PinnedChannel(name, terms, None, source=source, rests_on=rests_on)
    return Candidate(channel, ChannelFigure(value), known, "said")


def chosen(*candidates: Candidate) -> dict[str, tuple[int, str]]:
    choice = choose(candidates)
    infer_units(choice)
    return {one.channel.name: (one.figure.value, one.channel.source) for one in choice.chosen}


def unit_of_total(*candidates: Candidate) -> tuple[Unit, UnitGrade]:
    choice = choose(candidates)
    infer_units(choice)
    known = next(one.known for one in choice.chosen if one.channel.name == "total")
    return known.unit, known.grade


def test_a_dead_total_loses_and_costs_nobody_else_the_place() -> None:
    dead = counts("total", 0, STANDARD)
    assert chosen(dead, counts("total", 500), counts("mono", 500))["total"] == (500, MAKER)
    assert chosen(dead, counts("mono", 400), counts("colour", 100)) == {
        "mono": (400, MAKER),
        "colour": (100, MAKER),
        "total": (500, MAKER),
    }
    assert chosen(dead, counts("prints", 500)) == {"prints": (500, MAKER)}
    # All at 0 is a new printer.
    assert chosen(dead, counts("mono", 0))["total"] == (0, STANDARD)
    choice = choose([dead, counts("total", 500)])
    assert [one.channel.source for one in choice.witnesses] == [STANDARD]


@pytest.mark.parametrize("known", [SIDES, NOT_KNOWN])
def test_a_makers_total_replaces_the_standards_only_where_it_agrees_and_is_known_better(known: KnownUnit) -> None:
    living = counts("total", 15_232, STANDARD, known)
    assert chosen(living, counts("total", 7))["total"] == (15_232, STANDARD)
    better = MAKER if known is NOT_KNOWN else STANDARD
    assert chosen(living, counts("total", 15_230))["total"][1] == better
    assert chosen(living, counts("total", 15_230, rests_on="hearsay"))["total"][1] == STANDARD


def test_totals_that_disagree_are_said_and_a_story_that_fits_itself_stays_as_witness() -> None:
    told = [counts("total", 15_232), counts("mono", 15_000), counts("colour", 232)]
    choice = choose([counts("total", 5000, STANDARD), *told])
    assert [one.channel.name for one in choice.chosen] == ["total"]
    assert {one.channel.name for one in choice.witnesses} == {"total", "mono", "colour"}
    assert any("two totals disagree: 5000" in note for note in choice.notes)
    # Parts that fit nothing are no witnesses.
    nonsense = choose([counts("total", 5000, STANDARD), counts("mono", 15_000)])
    assert (nonsense.witnesses, [one.channel.name for one in nonsense.refused]) == ([], ["mono"])


def test_mappings_that_stand_in_for_one_another_are_one_witness_and_markers_are_each_their_own() -> None:
    first, again, third = counts("total", 900), counts("total", 905), counts("total", 950, "another maker")
    markers = [counts("total", value, STANDARD) for value in (910, 300)]
    choice = choose([*markers, first, again, third])
    assert (choice.chosen, choice.witnesses) == ([markers[0]], [markers[1], first, third])
    choice = choose([first, again, third])
    assert (choice.chosen, choice.witnesses) == ([first], [third])


def test_hearsay_falls_alone_and_a_count_of_hours_is_passed_over() -> None:
    large = counts("large", 9000, rests_on="hearsay")
    assert set(chosen(counts("total", 1000, STANDARD), counts("mono", 1000), large)) == {"total", "mono"}
    hours = counts("total", 12, STANDARD, NO_PAGES)
    assert chosen(hours, counts("total", 500))["total"] == (500, MAKER)
    # Alone it is kept, so that each read can say why it is no use.
    assert chosen(hours)["total"] == (12, STANDARD)


@pytest.mark.parametrize(
    ("total", "others", "unit"),
    [
        (5000, [counts("mono", 3900), counts("colour", 1098)], Unit.IMPRESSIONS),
        (5000, [counts("mono", 3900, known=SHEETS), counts("colour", 1098, known=SHEETS)], Unit.SHEETS),
        (5000, [counts("mono", 3900), counts("colour", 1098, known=SHEETS)], Unit.UNKNOWN),
        (5000, [counts("mono", 4990)], Unit.UNKNOWN),
        (1000, [counts("duplex", 900, known=SHEETS)], Unit.SHEETS),
        (1000, [counts("duplex", 1800)], Unit.SHEETS),
        (1000, [counts("duplex", 300, known=SHEETS)], Unit.UNKNOWN),
        (1900, [counts("sheets", 1000, known=SHEETS)], Unit.IMPRESSIONS),
        (1000, [counts("sheets", 1000, known=SHEETS)], Unit.UNKNOWN),
        # Few pages are close to anything.
        (18, [counts("mono", 9), counts("colour", 3)], Unit.UNKNOWN),
    ],
)
def test_a_unit_follows_from_other_counters_or_stays_unknown(total: int, others: list[Candidate], unit: Unit) -> None:
    grade = UnitGrade.ASSUMED if unit is Unit.UNKNOWN else UnitGrade.INFERRED
    assert unit_of_total(counts("total", total, STANDARD, NOT_KNOWN), *others) == (unit, grade)


def test_what_two_sided_pages_say_against_a_unit_is_noted_and_the_word_stands() -> None:
    choice = choose([counts("total", 1000, STANDARD), counts("duplex", 900, known=SHEETS)])
    infer_units(choice)
    assert choice.chosen[0].known == SIDES
    assert choice.notes == ["its total is said to count impressions, yet its two-sided pages make it sheets"]


def test_an_empty_choice_infers_nothing() -> None:
    choice = Choice()
    infer_units(choice)
    assert choice == Choice()


sums = st.lists(st.lists(st.integers(1, 40), min_size=1, max_size=8, unique=True), max_size=8)


@given(sums, sums, st.integers(1, 24))
def test_a_sum_is_asked_for_in_one_request_or_said_to_be_parted(
    billed: list[list[int]], others: list[list[int]], room: int
) -> None:
    def pinned(parts: list[list[int]], name: str) -> list[PinnedChannel]:
        return [
            PinnedChannel(f"{name}{at}", tuple(Term(b"n%d" % part) for part in one), b"unit%d" % at)
            for at, one in enumerate(parts)
        ]

    channels, witnesses = pinned(billed, "c"), pinned(others, "w")
    head, tail = (SYS_UP_TIME, b"id"), (b"state",)
    layout = laid_out(head, channels, tail, witnesses, room)
    requests = [set(request) for request in layout.requests()]
    assert all(len(request) <= max(room, 1) for request in requests)
    assert all(SYS_UP_TIME in request or len(request) == room for request in requests)
    for channel in (*layout.channels, *layout.witnesses):
        assert channel in layout.parted or any({term.name for term in channel.terms} <= request for request in requests)
    assert layout.channels == channels
    assert len(layout.names()) == len(set(layout.names()))
    # Witnesses cost no request.
    assert len(requests) == len(laid_out(head, channels, tail, [], room).requests())


@pytest.mark.parametrize(
    "serial", ["00000000", "N/A", "<unknown>", "xxxxxxxxxx", "0", "--", "00-00:00", "123456789", " NA "]
)
def test_placeholders_name_nobody(serial: str) -> None:
    assert names_nobody(serial)


@pytest.mark.parametrize("serial", ["", "  ", "X0000001", "PR-TEST-0001", "CNBK1234", "11112222"])
def test_serial_numbers_and_blanks_are_no_placeholders(serial: str) -> None:
    assert not names_nobody(serial)


def test_each_channel_of_a_shipped_profile_says_on_what_it_rests() -> None:
    for profile in shipped_profiles():
        for channel in profile.channels:
            assert channel.source, (profile.name, channel.name)
            assert {"rests_on", "source"} <= channel.model_fields_set, (profile.name, channel.name)
    konica = shipped_profiles().named("konica-minolta")
    assert konica is not None
    assert [one.rests_on for one in konica.channels if one.name == "large"] == ["hearsay"]
