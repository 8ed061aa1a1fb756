"""A unit proven on paper is offered to others of the model: by the object id, and by the description where known."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pagereeve.domain.facts.reading import Unit, UnitGrade
from pagereeve.ports.inspection import Inspection, PrinterIdentity
from pagereeve.proof.equals import offers_of
from pagereeve.proof.results import Calibration, Proof
from pagereeve.queries.units import ModelOffer, UnitStanding

MODEL = "1.3.6.1.4.1.32473.1"


def proof(printer: str, unit: Unit | None, description: str = "Model 7, firmware 1.2") -> Proof:
    identity = PrinterIdentity(serial=printer, object_id=MODEL, description=description)
    seen = Inspection("192.0.2.10:161", "2c", identity, (), (), (), None, None)
    found = Calibration("2c", printer, MODEL, unit)
    return Proof(printer=printer, place="", began_us=0, stages=(), calibration=found, inspection=seen)


def assumed(printer: str, model: str = MODEL) -> UnitStanding:
    return UnitStanding(printer, "total", Unit.UNKNOWN, UnitGrade.ASSUMED, model)


KNOWN = [assumed("north"), assumed("south"), assumed("west"), assumed("attic", f"{MODEL}.9")]


def test_what_was_proven_just_now_is_offered_to_the_others_of_its_model() -> None:
    offer = ModelOffer(MODEL, Unit.SHEETS, ("north",), ("south", "west"))
    assert offers_of([proof("north", Unit.SHEETS)], KNOWN) == (offer,)


@pytest.mark.parametrize(
    ("description", "offered"),
    [("Model 7, firmware 1.2", {("south",): True, ("west",): False}), ("Model 7, firmware 2.0", {("west",): False})],
)
def test_another_firmware_that_was_seen_is_no_equal(description: str, offered: dict[tuple[str, ...], bool]) -> None:
    """Of one that was never looked at a person compares."""
    proofs = [proof("north", Unit.SHEETS), proof("south", None, description)]
    assert {offer.printers: offer.described for offer in offers_of(proofs, KNOWN)} == offered


def test_what_the_journal_holds_of_the_firmware_counts() -> None:
    known = [
        assumed("north"),
        replace(assumed("south"), wording="model 7, firmware 1.2"),
        replace(assumed("west"), wording="model 7, firmware 2.0"),
    ]
    (offer,) = offers_of([proof("north", Unit.SHEETS)], known)
    assert (offer.printers, offer.described) == (("south",), True)


def test_a_proof_without_a_unit_offers_nothing_and_neither_do_two_that_disagree() -> None:
    assert offers_of([proof("north", None)], KNOWN) == ()
    assert offers_of([proof("north", Unit.SHEETS), proof("south", Unit.IMPRESSIONS)], KNOWN) == ()


def test_an_old_proof_of_another_model_is_not_told_again() -> None:
    known = [*KNOWN, UnitStanding("east", "total", Unit.SHEETS, UnitGrade.PROVEN, f"{MODEL}.9")]
    assert {one.model for one in offers_of([proof("north", Unit.SHEETS)], known)} == {MODEL}
