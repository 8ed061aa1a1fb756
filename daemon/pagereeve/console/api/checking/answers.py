"""What a check of a printer answers; names are those of ``pagereeve printers check --json``."""

from __future__ import annotations

from typing import Self

from pagereeve.console.api.models.told import Told
from pagereeve.domain.values.instants import to_text
from pagereeve.queries.readiness import Part, PrinterLook, ProofKnown, Standing, lacks_of, standing_of


class MeterChecked(Told):
    """``reason`` is why it can't be used, "" where it can; ``total`` is what it stands at."""

    answers: bool
    reason: str
    total: int | None


class ProofChecked(Told):
    known: ProofKnown
    at: str | None


class LackShown(Told):
    part: Part
    text: str
    do: str


class PrinterChecked(Told):
    """``addresses`` are those of its name; ``model`` and ``serial`` as it says them, "" where it says nothing.

    ``lacks`` is what is in the way, in the order in which to mend it.
    """

    printer: str
    gateway: str
    place: str
    addresses: tuple[str, ...]
    gateway_addresses: tuple[str, ...] | None
    meter: MeterChecked
    model: str
    serial: str
    proof: ProofChecked
    standing: Standing
    lacks: tuple[LackShown, ...]

    @classmethod
    def of(cls, one: PrinterLook) -> Self:
        lacks = lacks_of(one)
        answers = bool(one.addresses) and not one.meter_trouble
        return cls(
            printer=one.printer,
            gateway=one.gateway,
            place=one.place,
            addresses=one.addresses,
            gateway_addresses=one.gateway_addresses,
            meter=MeterChecked(answers=answers, reason=one.meter_reason, total=one.total),
            model=one.model,
            serial=one.serial,
            proof=ProofChecked(known=one.proof, at=None if one.proven_us is None else to_text(one.proven_us)),
            standing=standing_of(lacks),
            lacks=tuple(LackShown(part=lack.part, text=lack.text, do=lack.do) for lack in lacks),
        )
