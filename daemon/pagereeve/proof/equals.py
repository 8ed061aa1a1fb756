"""What a unit proven on paper says of the printer's equals: offered to a person, and applied by nobody."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pagereeve.domain.facts.reading import UnitGrade
from pagereeve.proof.results import Proof
from pagereeve.queries.units import ModelOffer, UnitStanding, model_offers


def offers_of(proofs: Sequence[Proof], known: Sequence[UnitStanding]) -> tuple[ModelOffer, ...]:
    """Of the models proven just now. ``known`` is what the journal says of all printers.

    Of one that was looked at in this run, the agent's own description must be the same: it names model and firmware.
    """
    proven = {one.printer: one for one in proofs if one.calibration.unit is not None and one.calibration.object_id}
    standings = {one.printer: one for one in known} | {name: _proven(one) for name, one in proven.items()}
    offers = []
    for offer in model_offers(sorted(standings.values(), key=lambda one: one.printer)):
        by = [proven[name] for name in offer.proven_by if name in proven]
        texts = {_description(one) for one in by}
        alike = tuple(name for name in offer.printers if _may_be_alike(name, proofs, texts))
        if by and alike:
            offers.append(replace(offer, printers=alike))
    return tuple(offers)


def _proven(proof: Proof) -> UnitStanding:
    found = proof.calibration
    if found.unit is None:
        raise ValueError(f"the proof of {proof.printer} shows no unit")
    return UnitStanding(proof.printer, "total", found.unit, UnitGrade.PROVEN, found.object_id)


def _description(proof: Proof) -> str:
    return "" if proof.inspection is None else proof.inspection.identity.description


def _may_be_alike(printer: str, proofs: Sequence[Proof], texts: set[str]) -> bool:
    mine = [text for one in proofs if one.printer == printer and (text := _description(one))]
    return all(text in texts for text in mine)
