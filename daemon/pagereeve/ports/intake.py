"""Where the doors hand in what arrived: the engine takes it from here."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal, Protocol


@dataclass(frozen=True, slots=True)
class Envelope:
    """A CloudEvent as it came through a door: attributes are texts of sane length, ``data`` is strict JSON.

    Nothing is interpreted yet: ``time`` may be no time, ``type`` unknown, ``data`` of the wrong form. ``data`` may hold
    a badge number and stays out of the repr.
    """

    source: str
    id: str
    type: str
    time: str | None
    data: Any = field(repr=False)
    subject: str | None = None


GatedReading = Literal["", "in-hand", "failed", "not-waited"]


@dataclass(frozen=True, slots=True)
class Accepted:
    """What became of it, durably. ``reading`` answers a gated release only; it is empty where none was asked for."""

    outcome: Literal["stored", "duplicate", "conflict", "quarantined"]
    detail: str = ""
    reading: GatedReading = ""


class Intake(Protocol):
    async def take(self, envelope: Envelope, *, feed: str, wait_s: float | None) -> Accepted:
        """Returns once durable. With ``wait_s``, only once the meter's reading is in hand too, or ``wait_s`` is over.

        Raises BadFact for what can't be taken (counted and kept aside here, not by the door), and JournalUnavailable
        when nothing was stored. A caller may give up waiting: cancelling loses nothing that was already durable.
        """
        ...

    async def badge_line(self, gateway: str, badge: str, *, feed: str, received_us: int, reader: str = "") -> Accepted:
        """One line of a raw feed, durable on return. It has no id of its own: its identity is assigned here.

        ``received_us`` is the wall time at which its last byte came, which is the only time such a line has; it may lie
        some seconds back if lines had to wait. Within a connection no two lines share it, and a line that is handed in
        again (after JournalUnavailable, or a time-out) keeps it: so (feed, gateway, received_us, badge) is one line.
        Raises BadFact and JournalUnavailable as ``take`` does.
        """
        ...

    async def refused(
        self, feed: str, reason: str, where: str, sample: bytes, *, gateway: str = "", reader: str = ""
    ) -> None:
        """Something that a door could not read: counted, and kept aside in bounded size.

        ``sample`` is at most 256 bytes, and veiled: letters and digits stand for themselves no longer, so that no badge
        number is in it. ``gateway`` and ``reader`` are given where a reader's line was refused. Raises
        JournalUnavailable when it could not be kept.
        """
        ...
