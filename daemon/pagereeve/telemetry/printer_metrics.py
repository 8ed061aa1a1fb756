"""The per-printer series as text, made from plain figures: at thousands of printers a client library is too slow.

Names by the Prometheus guides; labels name printers and channels, never people, badges or jobs (Prometheus
documentation, Metric and label naming).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from operator import attrgetter
from typing import Final, get_args

from pagereeve.domain.findings.finding import Kind
from pagereeve.domain.ledger import PROJECTED_KINDS
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.ports.telemetry import PrinterTelemetry

JOINED_AT_ONCE: Final = 500
FINDING_KINDS: Final[tuple[str, ...]] = get_args(Kind)

Rows = Callable[[PrinterTelemetry, str], str]
"""The samples of one family for a printer, whose label is already written."""
Needs = Callable[[PrinterTelemetry], object]
"""What a family's samples are made of: while it is equal, so are they."""


@dataclass(slots=True)
class _Kept:
    """A printer's samples as they were written last, one text for each family."""

    shown: PrinterTelemetry
    label: str
    texts: list[bytes]

    @classmethod
    def of(cls, one: PrinterTelemetry) -> _Kept:
        label = f'printer="{label_text(one.printer)}"'
        return cls(one, label, [family.rows(one, label).encode() for family in _FAMILIES])

    def show(self, one: PrinterTelemetry) -> None:
        """Write again what differs."""
        if one is self.shown or one == self.shown:
            return
        for place, family in enumerate(_FAMILIES):
            if family.needs(one) != family.needs(self.shown):
                self.texts[place] = family.rows(one, self.label).encode()
        self.shown = one


class PrinterPages:
    """Keeps what it wrote of each printer: most of it is the same at the next scrape. One ``render`` at a time."""

    def __init__(self) -> None:
        self._kept: dict[str, _Kept] = {}

    def render(self, printers: Iterable[PrinterTelemetry]) -> bytes:
        """Text of the Prometheus exposition format 0.0.4; a figure that is not known has no sample."""
        return b"".join(self.parts(printers))

    def parts(self, printers: Iterable[PrinterTelemetry]) -> Iterator[bytes]:
        """The same in parts of JOINED_AT_ONCE printers' samples: joining bytes lets no other thread run meanwhile."""
        known, self._kept = self._kept, {}
        for one in printers:
            kept = known.get(one.printer)
            if kept is None:
                kept = _Kept.of(one)
            else:
                kept.show(one)
            self._kept[one.printer] = kept
        texts = [kept.texts for kept in self._kept.values()]
        for place, family in enumerate(_FAMILIES):
            yield family.head
            for start in range(0, len(texts), JOINED_AT_ONCE):
                yield b"".join([one[place] for one in texts[start : start + JOINED_AT_ONCE]])


def printer_metrics(printers: Iterable[PrinterTelemetry]) -> str:
    """The same, once."""
    return PrinterPages().render(printers).decode()


def label_text(value: str) -> str:
    return value.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")


def _meter(one: PrinterTelemetry, label: str) -> str:
    lines = [
        f'pagereeve_meter_reading{{{label},channel="{label_text(channel)}"}} {value}\n'
        for channel, value in one.meter.items()
    ]
    return "".join(lines)


def _last(one: PrinterTelemetry, label: str) -> str:
    if one.last_reading_us is None:
        return ""
    return f"pagereeve_last_reading_timestamp_seconds{{{label}}} {one.last_reading_us / SECOND_US:.6f}\n"


def _by_panel(one: PrinterTelemetry, label: str) -> str:
    return f"pagereeve_meter_by_panel{{{label}}} 1\n" if one.by_panel else ""


def _up(one: PrinterTelemetry, label: str) -> str:
    return "" if one.up is None else f"pagereeve_meter_up{{{label}}} {int(one.up)}\n"


def _gateway(one: PrinterTelemetry, label: str) -> str:
    return f'pagereeve_printer_gateway{{{label},gateway="{label_text(one.gateway)}"}} 1\n'


def _failed(one: PrinterTelemetry, label: str) -> str:
    return f"pagereeve_failed_reads{{{label}}} {one.failed_reads}\n"


def _late(one: PrinterTelemetry, label: str) -> str:
    return f"pagereeve_meter_late{{{label}}} {int(one.late)}\n"


def _windows(one: PrinterTelemetry, label: str) -> str:
    return f"pagereeve_open_windows{{{label}}} {one.open_windows}\n"


def _settle(one: PrinterTelemetry, label: str) -> str:
    return "" if one.settle_us is None else f"pagereeve_settle_seconds{{{label}}} {one.settle_us / SECOND_US:g}\n"


def _findings(one: PrinterTelemetry, label: str) -> str:
    if not one.figures_known:
        return ""
    known = one.open_findings
    if not any(known.values()):
        return label.join(_NO_FINDINGS)
    return "".join(
        [f'pagereeve_open_findings{{{label},kind="{kind}"}} {known.get(kind, 0)}\n' for kind in FINDING_KINDS]
    )


def _pages(one: PrinterTelemetry, label: str) -> str:
    if not one.figures_known:
        return ""
    pages = one.pages
    lines = []
    for channel in _channels(one):
        labels = f'pagereeve_pages_total{{{label},channel="{label_text(channel)}"'
        for kind in PROJECTED_KINDS:
            # A shortfall is a negative receipt, and a counter must grow: its size is shown.
            lines.append(f'{labels},account="{kind}"}} {abs(pages.get((channel, kind), 0))}\n')  # noqa: PERF401 - plainer
    return "".join(lines)


def _pages_waiting(one: PrinterTelemetry, label: str) -> str:
    if not one.figures_known:
        return ""
    lines = [
        f'pagereeve_pages_waiting{{{label},channel="{label_text(channel)}"}} {one.pages_waiting.get(channel, 0)}\n'
        for channel in _channels(one)
    ]
    return "".join(lines)


def _releases_waiting(one: PrinterTelemetry, label: str) -> str:
    return f"pagereeve_releases_waiting{{{label}}} {one.releases_waiting}\n" if one.figures_known else ""


def _channels(one: PrinterTelemetry) -> list[str]:
    return list(dict.fromkeys([*one.meter, *(channel for channel, _ in one.pages)]))


# No finding is open at most printers at most times: the printer's label goes between these pieces.
_NO_FINDINGS: Final = [
    "pagereeve_open_findings{",
    *(f',kind="{kind}"}} 0\npagereeve_open_findings{{' for kind in FINDING_KINDS[:-1]),
    f',kind="{FINDING_KINDS[-1]}"}} 0\n',
]


@dataclass(frozen=True, slots=True)
class _Family:
    name: str
    kind: str
    text: str
    rows: Rows
    needs: Needs

    @property
    def head(self) -> bytes:
        return f"# HELP {self.name} {self.text}\n# TYPE {self.name} {self.kind}\n".encode()


_FAMILIES: Final = (
    _Family(
        "pagereeve_meter_reading",
        "gauge",
        "The printer's own counter at the last good reading, in the channel's unit. It may fall or be replaced.",
        _meter,
        attrgetter("meter"),
    ),
    _Family(
        "pagereeve_last_reading_timestamp_seconds",
        "gauge",
        "When the last good reading came, seconds since 1970. Absent until one has come.",
        _last,
        attrgetter("last_reading_us"),
    ),
    _Family(
        "pagereeve_meter_up",
        "gauge",
        "1 if the last read of the meter was good, else 0. Absent until one was tried.",
        _up,
        attrgetter("up"),
    ),
    _Family(
        "pagereeve_meter_by_panel",
        "gauge",
        "1 for a printer without a meter that can be asked: people read its panel. Absent for others.",
        _by_panel,
        attrgetter("by_panel"),
    ),
    _Family(
        "pagereeve_failed_reads",
        "gauge",
        "Reads of the meter that failed in a row, 0 if the last was good.",
        _failed,
        attrgetter("failed_reads"),
    ),
    _Family(
        "pagereeve_meter_late",
        "gauge",
        "1 if the last read of the meter failed because its answer came too late, else 0.",
        _late,
        attrgetter("late"),
    ),
    _Family(
        "pagereeve_printer_gateway",
        "gauge",
        "Always 1: the gateway that a printer is behind. Empty where there is none.",
        _gateway,
        attrgetter("gateway"),
    ),
    _Family(
        "pagereeve_open_windows",
        "gauge",
        "Releases that wait for the meter to rest.",
        _windows,
        attrgetter("open_windows"),
    ),
    _Family(
        "pagereeve_settle_seconds",
        "gauge",
        "How long the count must not move before a window may close: set, or learnt.",
        _settle,
        attrgetter("settle_us"),
    ),
    _Family(
        "pagereeve_open_findings",
        "gauge",
        "Findings that are open, by kind.",
        _findings,
        attrgetter("figures_known", "open_findings"),
    ),
    _Family(
        "pagereeve_pages_total",
        "counter",
        "What the ledger accounts for, by channel and account kind; a late fact may move pages between kinds.",
        _pages,
        lambda one: (one.figures_known, one.pages, tuple(one.meter)),
    ),
    _Family(
        "pagereeve_pages_waiting",
        "gauge",
        "Pages that the meter counted since its last cut, by channel: in no account yet.",
        _pages_waiting,
        lambda one: (one.figures_known, one.pages_waiting, tuple(one.meter), tuple(one.pages)),
    ),
    _Family(
        "pagereeve_releases_waiting",
        "gauge",
        "Releases without a verdict yet.",
        _releases_waiting,
        attrgetter("figures_known", "releases_waiting"),
    ),
)
