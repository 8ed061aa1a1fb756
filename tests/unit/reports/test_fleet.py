"""A fleet's lines: one a printer, by model and by reason, the largest group first, the sums last."""

from __future__ import annotations

from pagereeve.domain.facts.reading import Count, Failure, PrinterState, Reading, Sight, SilenceReason, Unit
from pagereeve.ports.inspection import ChannelFound, Inspection, PrinterIdentity
from pagereeve.ports.meter import MeterTarget
from pagereeve.reports.fleet import Seen, fleet_json, fleet_text


def good(printer: str, model: str, count: int, host: str = "192.0.2.1", port: int = 161) -> Seen:
    channel = ChannelFound("total", Unit.IMPRESSIONS, "impressions", count, 2**32, ("1.3",), "Printer-MIB", "it is so")
    sight = Sight((("total", Count(count, Unit.IMPRESSIONS)),), "S-1", "1.3.6", PrinterState.IDLE, (), host)
    reading = Reading(1, 2, sight, 3, None)
    identity = PrinterIdentity("S-1", "1.3.6", model, "described")
    seen = Inspection(host, "2c", identity, (channel,), (), (), reading, None, 0.1)
    return Seen(MeterTarget(printer, host, port), seen)


def bad(printer: str, reason: SilenceReason, detail: str, description: str = "") -> Seen:
    failure = Failure(1, 2, reason, detail, "")
    seen = Inspection("", "2c", PrinterIdentity(description=description), (), (), (), None, failure, 0.1)
    return Seen(MeterTarget(printer, "192.0.2.9"), seen)


FLEET = [
    good("library-1", "Sample 100", 7),
    bad("192.0.2.9", SilenceReason.TIMEOUT, "no answer"),
    good("library-2", "Sample 200\nsecond line", 8, port=1161),
    good("library-3", "Sample 200", 9),
    bad("hall", SilenceReason.NO_METER, "has no count\x1b[31m", "A card"),
    bad("loft", SilenceReason.NO_METER, "has no count", ""),
]


def test_a_line_a_printer_by_model_and_by_reason() -> None:
    lines = fleet_text(FLEET).splitlines()
    heads = [line for line in lines if line.endswith(("can be used", "can't be used"))]
    assert heads == [
        "Sample 200: 2 printers can be used",
        "Sample 100: 1 printer can be used",
        "no-meter: 2 printers can't be used",
        "timeout: 1 printer can't be used",
    ]
    assert "  library-2  192.0.2.1:1161  total 8 impressions  serial S-1" in lines
    assert "  192.0.2.9  no answer" in lines
    assert lines[-1] == "6 printers: 3 can be used, 3 can't (2 no-meter, 1 timeout)."
    assert len([line for line in lines if line.startswith("  ")]) == len(FLEET)
    assert "\x1b" not in fleet_text(FLEET)
    assert fleet_text(FLEET[:1]).endswith("1 printer: 1 can be used, 0 can't.")


def test_as_json_in_the_order_asked() -> None:
    body = fleet_json(FLEET)
    assert (body["printers_asked"], body["printers_usable"]) == (6, 3)
    assert body["by_model"] == {"Sample 200": ["library-2", "library-3"], "Sample 100": ["library-1"]}
    assert body["by_reason"] == {"no-meter": ["hall", "loft"], "timeout": ["192.0.2.9"]}
    assert [one["printer"] for one in body["printers"]] == [one.target.printer for one in FLEET]
    assert [one["usable"] for one in body["printers"]] == [True, False, True, True, False, False]
