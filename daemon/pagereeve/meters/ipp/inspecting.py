"""What an inspection shows of a printer's IPP: its counters, whether it tells of its jobs, and what to do."""

from __future__ import annotations

from typing import Final

from pagereeve.domain.facts.reading import Counter, Failure, Reading, SilenceReason
from pagereeve.meters.ipp.counters import SOURCE, Shown
from pagereeve.ports.inspection import ChannelFound, Inspection, NextStep, PrinterIdentity, ResponderKind
from pagereeve.ports.meter import MeterTarget

STEPS: Final[dict[SilenceReason, NextStep]] = {
    SilenceReason.TIMEOUT: NextStep("Is it on, and does the gateway forward TCP to its IPP port? It may be filtered."),
    SilenceReason.REFUSED: NextStep("Switch IPP on in the printer, or correct ipp_port or the gateway's forward."),
    SilenceReason.UNREACHABLE: NextStep("Check the address, the cable, and the route or firewall between."),
    SilenceReason.NAME_NOT_FOUND: NextStep("Correct the name, or give the address in figures."),
    SilenceReason.WRONG_RESPONDER: NextStep(
        "No IPP at the usual paths: correct ipp_port or the gateway's forward; a print server has its own paths."
    ),
    SilenceReason.WRONG_DEVICE: NextStep(
        "Correct the forward or the port; if the printer or its certificate was exchanged, correct serial or "
        "ipp_fingerprint in its entry."
    ),
    SilenceReason.NO_METER: NextStep(
        "Its IPP has no count of its own, as most printers' has none: it may still tell of its jobs. Read it by SNMP."
    ),
    SilenceReason.NOT_ADMITTED: NextStep("Its IPP asks for TLS, a certificate or a login: see what it answered."),
    SilenceReason.MALFORMED: NextStep("Look what serves that port; if it is IPP, look for newer firmware."),
}
WHY: Final = {
    "total": "the printer's own count of impressions, as the attribute is defined",
    "sheets": "the printer's own count of sheets; it offers no impressions",
}


def ipp_inspection(
    target: MeterTarget, result: Reading | Failure, shown: Shown | None, notes: tuple[str, ...], took_s: float
) -> Inspection:
    """``shown`` is None where nothing was answered; ``notes`` are what else was found."""
    failure = result if isinstance(result, Failure) else None
    reading = result if isinstance(result, Reading) else None
    billed = None if shown is None or reading is None else shown.billed
    counters = () if shown is None else shown.counters
    return Inspection(
        responder=result.responder if isinstance(result, Failure) else result.sight.responder,
        version=target.version,
        identity=PrinterIdentity() if shown is None else PrinterIdentity(shown.serial, "", shown.model),
        channels=() if billed is None or reading is None else (_billed(billed, reading),),
        checks=(),
        notes=notes,
        reading=reading,
        failure=failure,
        took_s=took_s,
        witnesses=tuple(_found(one) for one in counters if one is not billed),
        kind=ResponderKind.NOBODY if shown is None else ResponderKind.PRINTER,
        next_step=None if failure is None else STEPS.get(failure.reason),
        door="ipp",
    )


def _billed(counter: Counter, reading: Reading) -> ChannelFound:
    count = reading.sight.counts[0][1]
    return ChannelFound(
        name=counter.channel,
        unit=count.unit,
        unit_said=counter.unit.value,
        value=counter.value,
        modulus=counter.modulus,
        objects=(counter.object,),
        source=SOURCE,
        why=WHY[counter.channel],
        grade=count.grade,
    )


def _found(counter: Counter) -> ChannelFound:
    return ChannelFound(
        name=counter.channel,
        unit=None,
        unit_said=counter.unit.value,
        value=counter.value,
        modulus=counter.modulus,
        objects=(counter.object,),
        source=SOURCE,
        why="not billed",
        grade=counter.grade,
    )
