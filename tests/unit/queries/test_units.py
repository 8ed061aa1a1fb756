"""How each printer's unit is known, by the latest reading and what was learnt; and what a proof offers its equals."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.facts.facts import PlateauRead, SettleLearned, UnitLearned
from pagereeve.domain.facts.reading import Count, Plateau, PrinterState, Reading, Sight, Unit, UnitGrade
from pagereeve.queries.units import ModelOffer, UnitStanding, assumed_by_model, model_offers, units_of, wording_of
from pagereeve.reports.units import offer_lines, units_line
from pagereeve.store.memory.journal import MemoryJournal
from tests.journal_samples import NOON_US

MODEL = "1.3.6.1.4.1.99999.1"
OTHER = "1.3.6.1.4.1.99999.2"


def shown(printer: str, unit: Unit, grade: UnitGrade, model: str = MODEL) -> PlateauRead:
    sight = Sight(
        (("mono", Count(3, Unit.SHEETS)), ("total", Count(7, unit, grade=grade))), "", model, PrinterState.IDLE
    )
    return PlateauRead(printer, Plateau.of(Reading(NOON_US, NOON_US + 1_000, sight, 100)))


def standing(printer: str, unit: Unit, grade: UnitGrade, model: str = MODEL) -> UnitStanding:
    return UnitStanding(printer, "total", unit, grade, model)


UNKNOWN = (Unit.UNKNOWN, UnitGrade.ASSUMED)


async def test_it_is_the_latest_readings_word_and_what_was_learnt() -> None:
    journal = MemoryJournal()
    for name, unit, grade in (
        ("attic", Unit.SHEETS, UnitGrade.PROVEN),
        ("barn", Unit.UNKNOWN, UnitGrade.ASSUMED),
        ("cellar", Unit.UNKNOWN, UnitGrade.ASSUMED),
        ("dorm", Unit.IMPRESSIONS, UnitGrade.ASSUMED),
    ):
        await journal.observe(name, [], shown(name, unit, grade))
    await journal.append(SettleLearned("cellar", NOON_US, 10, units=(UnitLearned("total", "", Unit.SHEETS),)))
    known = await units_of(journal)
    assert known == (
        standing("attic", Unit.SHEETS, UnitGrade.PROVEN),
        standing("barn", *UNKNOWN),
        standing("cellar", Unit.SHEETS, UnitGrade.INFERRED),
        # A habit's word is none.
        standing("dorm", *UNKNOWN),
    )
    assert await units_of(journal, {"attic"}) == known[:1]
    assert units_line(known) == (
        "Units, as they are known now: 2 printers assumed: nobody says whether it is sheets or sides (barn, dorm); "
        "1 printer inferred from other counters, from releases or from the model (cellar); "
        "1 printer proven with test pages."
    )
    assert units_line(known[:1]) == ""


def test_a_proof_is_offered_to_the_equals_that_run_on_an_assumed_unit() -> None:
    known = [
        standing("attic", Unit.SHEETS, UnitGrade.PROVEN),
        standing("barn", *UNKNOWN),
        standing("cellar", *UNKNOWN),
        standing("dorm", Unit.SHEETS, UnitGrade.SAID),
        standing("east", *UNKNOWN, OTHER),
        standing("west", *UNKNOWN, ""),
    ]
    assert assumed_by_model(known) == {MODEL: ("barn", "cellar"), "": ("west",), OTHER: ("east",)}
    assert model_offers(known) == (ModelOffer(MODEL, Unit.SHEETS, ("attic",), ("barn", "cellar")),)
    (line,) = offer_lines(model_offers(known))
    assert line == (
        f"2 printers with the object id {MODEL} run on an assumed unit: barn, cellar. attic of that model is proven. "
        'Where model and firmware are the same, their entries may say: unit = "sheets", '
        'unit_grade = "inferred-from-model"'
    )


def test_proofs_of_a_model_that_disagree_offer_nothing() -> None:
    known = [
        standing("attic", Unit.SHEETS, UnitGrade.PROVEN),
        standing("barn", Unit.IMPRESSIONS, UnitGrade.PROVEN),
        standing("cellar", *UNKNOWN),
    ]
    assert model_offers(known) == ()


def test_a_proof_is_offered_to_nobody_of_another_firmware() -> None:
    known = [
        replace(standing("attic", Unit.SHEETS, UnitGrade.PROVEN), wording="model 7 1.2"),
        replace(standing("barn", *UNKNOWN), wording="model 7 1.2"),
        replace(standing("cellar", *UNKNOWN), wording="model 7 2.0"),
        standing("dorm", *UNKNOWN),
    ]
    offers = (
        ModelOffer(MODEL, Unit.SHEETS, ("attic",), ("barn",), described=True),
        # A fact of before says nothing of it: a person compares.
        ModelOffer(MODEL, Unit.SHEETS, ("attic",), ("dorm",)),
    )
    assert model_offers(known) == offers
    same, unknown = offer_lines(offers)
    assert "Their agents say the same of model and firmware: its entry may say" in same
    assert "Where model and firmware are the same, its entry may say" in unknown


def test_proofs_of_two_firmwares_may_differ() -> None:
    known = [
        replace(standing("attic", Unit.SHEETS, UnitGrade.PROVEN), wording="1.2"),
        replace(standing("barn", Unit.IMPRESSIONS, UnitGrade.PROVEN), wording="2.0"),
        replace(standing("cellar", *UNKNOWN), wording="2.0"),
        standing("dorm", *UNKNOWN),
    ]
    offer = ModelOffer(MODEL, Unit.IMPRESSIONS, ("barn",), ("cellar",), described=True)
    assert model_offers(known) == (offer,)


def test_a_serial_number_in_the_description_makes_no_other_model() -> None:
    assert wording_of("Model 7  S/N K-17, V1.2", "K-17") == wording_of("MODEL 7 S/N K-18, v1.2 ", "K-18")
    assert wording_of("Model 7 V1.2", "") == "model 7 v1.2"


async def test_what_an_agent_says_of_itself_is_in_its_readings() -> None:
    journal = MemoryJournal()
    read = shown("attic", *UNKNOWN)
    sight = replace(read.plateau.sight, serial="K-17", description="Model 7 K-17")
    await journal.observe("attic", [], replace(read, plateau=replace(read.plateau, sight=sight)))
    assert await units_of(journal) == (replace(standing("attic", *UNKNOWN), wording="model 7"),)


def test_a_fleet_of_one_model_is_not_compared_each_with_each(monkeypatch: pytest.MonkeyPatch) -> None:
    """2,500 of each took three seconds."""
    count, asked = 200, 0
    compared = UnitStanding.may_equal

    def may_equal(one: UnitStanding, other: UnitStanding) -> bool:
        nonlocal asked
        asked += 1
        return compared(one, other)

    monkeypatch.setattr(UnitStanding, "may_equal", may_equal)
    proven = [standing(f"proven-{one}", Unit.SHEETS, UnitGrade.PROVEN) for one in range(count)]
    (offer,) = model_offers([*proven, *(standing(f"new-{one}", *UNKNOWN) for one in range(count))])
    assert (len(offer.printers), len(offer.proven_by)) == (count, count)
    assert asked <= 2 * count
