"""What the meter counts about itself, plainly: an outlet makes metrics of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum

from pagereeve.domain.facts.reading import Failure, Reading
from pagereeve.ports.telemetry import MeterTelemetry


class DatagramRefusal(StrEnum):
    """Why a datagram was not accepted as an answer."""

    WRONG_ADDRESS = "wrong-address"
    WRONG_PORT = "wrong-port"
    UNKNOWN_ID = "unknown-id"
    LATE = "late"
    UNREADABLE = "unreadable"
    TOO_LARGE = "too-large"
    UNAUTHENTIC = "unauthentic"


@dataclass(slots=True)
class MeterStats:
    """Counts since the start. ``refused_last`` keeps the source of the last refused datagram of each kind.

    ``reads`` is by result: ``reading`` or a SilenceReason. ``refused`` holds a late second answer too: harmless, but
    a high share shows a slow printer. ``undecodable`` are answers to one of our requests that could not be read,
    ``slow_reads`` took more than half of their time, ``contradictions`` are readings from which a part was left out,
    ``failed_looks`` at a printer's jobs brought nothing, ``new_rows`` rows that joined a sum later, ``stalls`` sockets
    with answers that the loop had stopped to watch.
    """

    reads: Counter[str] = field(default_factory=Counter)
    refused: Counter[DatagramRefusal] = field(default_factory=Counter)
    refused_last: dict[DatagramRefusal, str] = field(default_factory=dict)
    sent: int = 0
    retries: int = 0
    unsent: int = 0
    undecodable: int = 0
    non_conforming: int = 0
    contradictions: int = 0
    new_rows: int = 0
    icmp: int = 0
    discoveries: int = 0
    port_moves: int = 0
    slow_reads: int = 0
    boots_back: int = 0
    failed_looks: int = 0
    stalls: int = 0
    lookups: int = 0
    lookup_failures: int = 0

    def oddities(self) -> dict[str, int]:
        """What printers and paths did that they should not, by kind; every kind is there from the start."""
        return {
            "undecodable": self.undecodable,
            "non-conforming": self.non_conforming,
            "contradiction": self.contradictions,
            "new-row": self.new_rows,
            "slow-read": self.slow_reads,
            "retry": self.retries,
            "port-move": self.port_moves,
            "boots-back": self.boots_back,
            "failed-look": self.failed_looks,
            "stall": self.stalls,
        }

    def telemetry(self, receive_drops: int | None) -> MeterTelemetry:
        """``receive_drops`` is the endpoint's."""
        refused = {kind.value: self.refused[kind] for kind in DatagramRefusal}
        return MeterTelemetry(dict(self.reads), refused, self.oddities(), receive_drops)

    def refuse(self, kind: DatagramRefusal, source: str) -> None:
        self.refused[kind] += 1
        self.refused_last[kind] = source


@dataclass(frozen=True, slots=True)
class MeterHooks:
    """Called from the event loop; must return soon and raise nothing.

    ``on_read(printer, result, duration_s)`` after each read; ``on_sent(printer, monotonic_us)`` when the first request
    of a read has left; ``on_note(printer, text)`` when a printer turns out to be other than it was.
    """

    on_read: Callable[[str, Reading | Failure, float], None] | None = None
    on_sent: Callable[[str, int], None] | None = None
    on_note: Callable[[str, str], None] | None = None
