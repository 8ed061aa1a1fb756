"""What follows from an SNMPv3 agent's report about our message (RFC 3414 section 3.2)."""

from __future__ import annotations

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.meters.snmp.question import ReadEnded
from pagereeve.meters.snmp.session3 import NOT_IN_WINDOW, UNKNOWN_ENGINE, Report, Session3, hint
from pagereeve.meters.snmp.stats import MeterStats


def take_report(session: Session3, report: Report, responder: str, stats: MeterStats) -> None:
    """Returns where the same request can be sent again at once. Raises ReadEnded where it can't.

    Most reports are unsigned, so whoever sees our requests could forge one and end a read; nobody else can, since the
    message id is unpredictable. Somebody on the path could as well drop the answer, and no value rests on a report.
    """
    engine = session.engine
    if report.counter == UNKNOWN_ENGINE and engine is not None:
        session.forget()
        text = (
            f"{responder} is another device: its engine id is {report.engine_id.hex()}, not {engine.engine_id.hex()}; "
            "the next read restarts"
        )
        raise ReadEnded(SilenceReason.WRONG_DEVICE, text, responder)
    if report.counter == NOT_IN_WINDOW and report.authentic and engine is not None:
        if session.resynced(report):
            return
        session.forget()
        stats.boots_back += 1
        text = (
            f"{responder} has started {report.boots} times by its own count, and {engine.boots} times before: it lost "
            "its memory or is another device; the next read restarts"
        )
        raise ReadEnded(SilenceReason.WRONG_DEVICE, text, responder)
    raise ReadEnded(SilenceReason.NOT_ADMITTED, f"{responder}: {hint(report)}", responder)
