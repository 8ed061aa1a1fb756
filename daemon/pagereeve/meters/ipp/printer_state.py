"""What a printer says of its state over IPP, in the words in which readings have it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from pagereeve.domain.facts.reading import STOPPING_ERRORS, PrinterState

# printer-state (RFC 8011 section 5.4.11).
STOPPED: Final = 5
STATES: Final[Mapping[int, PrinterState]] = {
    3: PrinterState.IDLE,
    4: PrinterState.PRINTING,
    STOPPED: PrinterState.OTHER,
}
SEVERITIES: Final = ("-report", "-warning", "-error")

# printer-state-reasons (RFC 8011 section 5.4.12) as conditions of hrPrinterDetectedErrorState.
CONDITIONS: Final[Mapping[str, str]] = {
    "media-needed": "noPaper",
    "media-empty": "noPaper",
    "media-low": "lowPaper",
    "media-jam": "jammed",
    "door-open": "doorOpen",
    "cover-open": "doorOpen",
    "interlock-open": "doorOpen",
    "toner-low": "lowToner",
    "toner-empty": "noToner",
    "marker-supply-low": "lowToner",
    "marker-supply-empty": "markerSupplyMissing",
    "input-tray-missing": "inputTrayMissing",
    "output-tray-missing": "outputTrayMissing",
    "output-area-almost-full": "outputNearFull",
    "output-area-full": "outputFull",
}


def state_of(number: int | None) -> PrinterState:
    return PrinterState.ABSENT if number is None else STATES.get(number, PrinterState.UNKNOWN)


def errors_of(number: int | None, reasons: Iterable[str]) -> tuple[str, ...]:
    """Conditions, sorted. Whether it is stopped, the printer's state says: a second tray that is empty stops nothing.

    A printer that is stopped for a reason of no name here takes no job: hrPrinterDetectedErrorState has ``offline``.
    """
    found = {CONDITIONS[name] for reason in reasons if (name := _bare(reason)) in CONDITIONS}
    if number != STOPPED:
        return tuple(sorted(found - STOPPING_ERRORS))
    return tuple(sorted(found if found & STOPPING_ERRORS else {*found, "offline"}))


def _bare(reason: str) -> str:
    """Without its severity."""
    for severity in SEVERITIES:
        reason = reason.removesuffix(severity)
    return reason
