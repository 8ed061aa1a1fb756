"""What a unit proven on paper says of the printer's equals: offered to a person, and applied by nobody."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pagereeve.domain.facts.reading import UnitGrade
from pagereeve.proof.results import Proof
from pagereeve.queries.units import ModelOffer, UnitStanding, model_offers, wording_of


def offers_of(proofs: Sequence[Proof], known: Sequence[UnitStanding]) -> tuple[ModelOffer, ...]:
    """Of the models proven just now. ``known`` is what the journal says of all printers.

    Of one that was looked at in this run it counts what its agent says of itself now.
    """
    proven = {one.printer: one for one in proofs if one.calibration.unit is not None and one.calibration.object_id}
    said = {one.printer: _wording(one) for one in proofs}
    standings = {one.printer: replace(one, wording=said.get(one.printer) or one.wording) for one in known}
    standings |= {name: _proven(one) for name, one in proven.items()}
    offers = model_offers(sorted(standings.values(), key=lambda one: one.printer))
    return tuple(offer for offer in offers if not proven.keys().isdisjoint(offer.proven_by))


def _proven(proof: Proof) -> UnitStanding:
    found = proof.calibration
    if found.unit is None:
        raise ValueError(f"the proof of {proof.printer} shows no unit")
    return UnitStanding(proof.printer, "total", found.unit, UnitGrade.PROVEN, found.object_id, _wording(proof))


def _wording(proof: Proof) -> str:
    if proof.inspection is None:
        return ""
    return wording_of(proof.inspection.identity.description, proof.inspection.identity.serial)
