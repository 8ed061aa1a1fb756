"""How many series a site makes: a gateway is one series for a printer, and a label of no other.

Prometheus documentation, Writing exporters, Labels (prometheus.io/docs/instrumenting/writing_exporters): a label that
could be taken away without two series becoming one is avoided; what else is known of a printer is an info metric.
"""

from __future__ import annotations

import re
from collections import Counter
from typing import Final

from pagereeve.domain.ledger import PROJECTED_KINDS
from pagereeve.ports.telemetry import PrinterTelemetry
from pagereeve.telemetry.printer_metrics import FINDING_KINDS, printer_metrics

PRINTERS: Final = 5_000
GATEWAYS: Final = 1_250
CHANNELS: Final = ("total", "colour", "mono")
SAMPLE: Final = re.compile(r"^(\w+)\{(.*)\} \S+$", re.MULTILINE)
GATEWAY: Final = re.compile(r'gateway="([^"]*)"')
# Of a printer whose meter was read; all else is by channel or by kind.
SINGLE: Final = 8


def site() -> list[PrinterTelemetry]:
    """Every fifth printer is behind no gateway."""
    return [
        PrinterTelemetry(
            f"printer-{nth:04d}",
            dict.fromkeys(CHANNELS, nth),
            last_reading_us=1,
            up=True,
            gateway="" if nth % 5 == 0 else f"gateway-{nth % GATEWAYS:04d}",
            settle_us=1_000_000,
            pages={(channel, "people"): 1 for channel in CHANNELS},
        )
        for nth in range(PRINTERS)
    ]


def test_of_5000_printers_the_gateway_is_one_series_each_and_no_others_label() -> None:
    samples = SAMPLE.findall(printer_metrics(site()))
    counts = Counter(name for name, _ in samples)
    by_channel = len(CHANNELS) * (2 + len(PROJECTED_KINDS))
    assert len(samples) == PRINTERS * (SINGLE + len(FINDING_KINDS) + by_channel)
    assert len({(name, labels) for name, labels in samples}) == len(samples)
    named = [(name, found[1]) for name, labels in samples if (found := GATEWAY.search(labels))]
    assert {name for name, _ in named} == {"pagereeve_printer_gateway"}
    assert counts["pagereeve_printer_gateway"] == PRINTERS
    # Within two hundredths of what there would be without it.
    assert 0.02 * (len(samples) - PRINTERS) >= PRINTERS


def test_its_values_are_the_gateways_of_the_settings_and_nothing() -> None:
    values = {found[1] for _, labels in SAMPLE.findall(printer_metrics(site())) if (found := GATEWAY.search(labels))}
    assert values == {""} | {f"gateway-{nth % GATEWAYS:04d}" for nth in range(PRINTERS) if nth % 5}


def test_a_printer_that_moves_to_another_gateway_keeps_all_series_but_one() -> None:
    one = PrinterTelemetry("p", {"total": 1}, last_reading_us=1, up=True, gateway="attic")
    moved = PrinterTelemetry("p", {"total": 1}, last_reading_us=1, up=True, gateway="cellar")
    before, after = (set(printer_metrics([shown]).splitlines()) for shown in (one, moved))
    assert before - after == {'pagereeve_printer_gateway{printer="p",gateway="attic"} 1'}
    assert after - before == {'pagereeve_printer_gateway{printer="p",gateway="cellar"} 1'}
