"""The per-printer series as text, made from plain figures: at thousands of printers a client library is too slow.

Names by the Prometheus guides; labels name printers and channels, never people, badges or jobs (STANDARDS.md 10.1).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Final, get_args

from pagereeve.domain.findings import Kind
from pagereeve.domain.instants import SECOND_US
from pagereeve.ports.telemetry import ACCOUNT_KINDS, PrinterTelemetry

FINDING_KINDS: Final[tuple[str, ...]] = get_args(Kind)

Rows = Callable[[PrinterTelemetry, str], Iterable[str]]
"""The samples of one family for a printer, whose label is already written: everything behind the family's name."""


def printer_metrics(printers: Iterable[PrinterTelemetry]) -> str:
    """Text of the Prometheus exposition format 0.0.4; a figure that is not known has no sample."""
    known = [(one, f'printer="{label_text(one.printer)}"') for one in printers]
    return "".join(_family(name, kind, text, rows, known) for name, kind, text, rows in _FAMILIES)


def label_text(value: str) -> str:
    return value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def _family(name: str, kind: str, text: str, rows: Rows, known: Sequence[tuple[PrinterTelemetry, str]]) -> str:
    head = f"# HELP {name} {text}\n# TYPE {name} {kind}\n"
    return head + "".join([f"{name}{row}\n" for one, label in known for row in rows(one, label)])


def _meter(one: PrinterTelemetry, label: str) -> Iterator[str]:
    for channel, value in one.meter.items():
        yield f'{{{label},channel="{label_text(channel)}"}} {value}'


def _last(one: PrinterTelemetry, label: str) -> Iterator[str]:
    if one.last_reading_us is not None:
        yield f"{{{label}}} {one.last_reading_us / SECOND_US:.6f}"


def _up(one: PrinterTelemetry, label: str) -> Iterator[str]:
    if one.up is not None:
        yield f"{{{label}}} {int(one.up)}"


def _windows(one: PrinterTelemetry, label: str) -> Iterator[str]:
    yield f"{{{label}}} {one.open_windows}"


def _settle(one: PrinterTelemetry, label: str) -> Iterator[str]:
    if one.settle_us is not None:
        yield f"{{{label}}} {one.settle_us / SECOND_US:g}"


def _findings(one: PrinterTelemetry, label: str) -> Iterator[str]:
    known = one.open_findings
    for kind in FINDING_KINDS:
        yield f'{{{label},kind="{kind}"}} {known.get(kind, 0)}'


def _pages(one: PrinterTelemetry, label: str) -> Iterator[str]:
    pages = one.pages
    for channel in dict.fromkeys([*one.meter, *(channel for channel, _ in pages)]):
        labels = f'{label},channel="{label_text(channel)}"'
        for kind in ACCOUNT_KINDS:
            # A shortfall is a negative receipt, and a counter must grow: its size is shown.
            yield f'{{{labels},account="{kind}"}} {abs(pages.get((channel, kind), 0))}'


_FAMILIES: Final[tuple[tuple[str, str, str, Rows], ...]] = (
    (
        "pagereeve_meter_reading",
        "gauge",
        "The printer's own counter at the last good reading, in the channel's unit. It may fall or be replaced.",
        _meter,
    ),
    (
        "pagereeve_last_reading_timestamp_seconds",
        "gauge",
        "When the last good reading came, seconds since 1970. Absent until one has come.",
        _last,
    ),
    (
        "pagereeve_meter_up",
        "gauge",
        "1 if the last read of the meter was good, else 0. Absent until one was tried.",
        _up,
    ),
    ("pagereeve_open_windows", "gauge", "Releases that wait for the meter to rest.", _windows),
    (
        "pagereeve_settle_seconds",
        "gauge",
        "How long the count must stand still before a window may close: set, or learnt.",
        _settle,
    ),
    ("pagereeve_open_findings", "gauge", "Findings that are open, by kind.", _findings),
    (
        "pagereeve_pages_total",
        "counter",
        "What the ledger accounts for, by channel and account kind; a late fact may move pages between kinds.",
        _pages,
    ),
)
