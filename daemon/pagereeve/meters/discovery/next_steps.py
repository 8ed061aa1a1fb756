"""What to do next where a read was refused: rows by reason, kind of device and maker; the most special row counts."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple

from pagereeve.domain.facts.reading import SilenceReason
from pagereeve.ports.inspection import NextStep, ResponderKind

HP: Final = 11
TOSHIBA_TEC: Final = 1129


class Case(NamedTuple):
    """``kind`` and ``enterprise`` (IANA's number in the sysObjectID) are None where any will do."""

    reason: SilenceReason
    kind: ResponderKind | None = None
    enterprise: int | None = None


_CONTEXT: Final = "with SNMPv3 --context {0}, with v1 and v2c the community followed by @{0}"

# Without a source: common practice, no source.
STEPS: Final[dict[Case, NextStep]] = {
    Case(SilenceReason.TIMEOUT): NextStep(
        "Is it on? Then SNMP may be switched off in it, the community another, this host not on its access list, or "
        "the gateway may not forward UDP to it; an old one may speak version 1 alone (--version 1)."
    ),
    Case(SilenceReason.ASLEEP): NextStep("Wake it, and read again: it answered before."),
    Case(SilenceReason.LATE): NextStep("Give it more time (--timeout; in the settings, watch.read_timeout)."),
    Case(SilenceReason.NOT_ADMITTED): NextStep(
        "Compare the user, its two passwords and protocols, and the context with what is set in the printer."
    ),
    Case(SilenceReason.REFUSED): NextStep(
        "The host is there, and nothing listens on that port: switch SNMP on in the printer, or correct the port of "
        "the gateway's forward."
    ),
    Case(SilenceReason.UNREACHABLE): NextStep("Check the address, the cable, and the route or firewall between."),
    Case(SilenceReason.NAME_NOT_FOUND): NextStep("Correct the name, or give the address in figures."),
    Case(SilenceReason.WRONG_RESPONDER): NextStep(
        "Another device than a printer answers there: forward a port of the gateway to the printer's UDP port 161, and "
        "give that port."
    ),
    Case(SilenceReason.WRONG_RESPONDER, ResponderKind.FORWARDER): NextStep(
        "It forwards packets (sysServices), so the box in the middle answers for itself: forward another of its ports "
        "to the printer's UDP port 161, and give that port.",
        "openwrt/packages#7980",
    ),
    Case(SilenceReason.WRONG_RESPONDER, ResponderKind.UNSAID): NextStep(
        "It has no sysObjectID: only its description says what it is. A print server, or a printer's card, keeps the "
        "counters to itself, and no other forward helps; of a gateway, forward another port to the printer's port 161."
    ),
    Case(SilenceReason.WRONG_DEVICE): NextStep(
        "Another printer answers there: correct the forward or the port; if the printer was exchanged, correct serial "
        "and object_id in its entry."
    ),
    Case(SilenceReason.MALFORMED): NextStep(
        "Its answers break the protocol: try --version 1, and look for newer firmware; the detail belongs into a "
        "report to its maker."
    ),
    Case(SilenceReason.NO_METER): NextStep(
        "It says that it prints, and shows no count: look for a page counter in its own web page and for newer "
        "firmware; a counter of the maker's can be named by a profile of your own."
    ),
    Case(SilenceReason.NO_METER, ResponderKind.PRINT_SERVER): NextStep(
        "It is a print server, or a network card that keeps the printer's counters to itself: another port or forward "
        "brings nothing. Ask the printer's own network port if it has one, look for newer firmware of the card, or "
        "enter the printer without a meter."
    ),
    Case(SilenceReason.NO_METER, ResponderKind.PRINTER, HP): NextStep(
        f"Some of HP's show their counters in the context Jetdirect alone: {_CONTEXT.format('Jetdirect')}.",
        "librenms/librenms#19794, #19927",
    ),
    Case(SilenceReason.NO_METER, ResponderKind.PRINT_SERVER, HP): NextStep(
        f"Some of HP's show their counters in the context Jetdirect alone: {_CONTEXT.format('Jetdirect')}. If that "
        "brings nothing, the card keeps the counters to itself: ask the printer's own network port if it has one.",
        "librenms/librenms#19794, #19927",
    ),
    Case(SilenceReason.NO_METER, None, TOSHIBA_TEC): NextStep(
        f"Toshiba's show their counters in the context MFP with SNMPv3: {_CONTEXT.format('MFP')}.",
        "librenms/librenms#13465",
    ),
    Case(SilenceReason.UNIT_NOT_USABLE): NextStep(
        "It counts, and does not say what: prove it with test pages (pagereeve prove PRINTER --print), or write unit "
        "in its entry once you know."
    ),
}


def next_step(reason: SilenceReason, kind: ResponderKind, enterprise: int | None) -> NextStep:
    """Of the rows that fit, the one that says most: a maker's before a kind's before a reason's."""
    return next(STEPS[case] for case in _cases(reason, kind, enterprise) if case in STEPS)


def _cases(reason: SilenceReason, kind: ResponderKind, enterprise: int | None) -> Iterator[Case]:
    if enterprise is not None:
        yield Case(reason, kind, enterprise)
        yield Case(reason, None, enterprise)
    yield Case(reason, kind)
    yield Case(reason)
