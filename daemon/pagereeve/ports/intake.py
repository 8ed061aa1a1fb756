"""Where the feeds submit what arrived: the engine processes it from here."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final, Literal, Protocol, get_args

from pagereeve.domain.facts.facts import AnswerReading, AnswerRest
from pagereeve.domain.values.errors import BadFact

Outcome = Literal["stored", "duplicate", "conflict", "quarantined", "ignored"]
OUTCOMES: Final[tuple[Outcome, ...]] = get_args(Outcome)
"""What can become of an event that was taken in. ``ignored``: a key of a reader's keypad, of which nothing is kept."""


@dataclass(frozen=True, slots=True)
class Envelope:
    """A CloudEvent as a feed received it: attributes are texts of sane length, ``data`` is strict JSON.

    Nothing is interpreted yet: ``time`` may be no time, ``type`` unknown, ``data`` of the wrong form. ``data`` may hold
    a badge number and stays out of the repr. ``pages_day_max``: on how many pages its author may decide in a day.
    """

    source: str
    id: str
    type: str
    time: str | None
    data: Any = field(repr=False)
    subject: str | None = None
    pages_day_max: int | None = field(default=None, repr=False)


class DecidedEnough(BadFact):
    """Its author decided on so many pages today that this decision is too much: the text says when there is room."""


@dataclass(frozen=True, slots=True)
class BadgeLine:
    """One line of a raw feed. ``badge`` is the number as it was read, and stays out of the repr.

    ``received_us`` is the wall time at which its last byte came, which is the only time such a line has; it may lie
    some seconds back if lines had to wait. Within a connection no two lines share it, and a line that is submitted
    again (after JournalUnavailable, or a time-out) keeps it: so (feed, gateway, received_us, badge) is one line.
    ``name`` is the line's own where the feed has one: then (feed, received_us, name) is it, however its number is read.
    """

    gateway: str
    badge: str = field(repr=False)
    feed: str
    received_us: int
    reader: str = ""
    name: str = ""


@dataclass(frozen=True, slots=True)
class RefusedInput:
    """Something that a feed could not read. ``reason`` is of the feed's closed set; ``where`` names the place in it.

    ``sample`` is at most 256 bytes, and masked: letters and digits are replaced, so that no badge number is in it.
    ``gateway`` and ``reader`` are given where a reader's line was refused; ``name`` and ``received_us`` are as in
    BadgeLine, where the line has a name.
    """

    feed: str
    reason: str
    where: str
    sample: bytes
    gateway: str = ""
    reader: str = ""
    name: str = ""
    received_us: int | None = None


GatedReading = Literal["", AnswerReading]


@dataclass(frozen=True, slots=True)
class Remark:
    """What a sender should know of an event that was accepted: ``where`` names the member, ``text`` what is with it."""

    where: str
    text: str


@dataclass(frozen=True, slots=True)
class Accepted:
    """What became of it, durably. ``reading`` and ``rest`` answer a gated release only; they are empty where none was
    asked for.
    """

    outcome: Outcome
    detail: str = ""
    reading: GatedReading = ""
    rest: AnswerRest = ""
    remarks: tuple[Remark, ...] = ()


class Intake(Protocol):
    async def take(self, envelope: Envelope, *, feed: str, wait_s: float | None, rest: bool = False) -> Accepted:
        """Returns once durable. With ``wait_s``, only once the meter's reading is in hand too, or ``wait_s`` is over;
        with ``rest``, only once the releases answered before it at its printer have come to rest as well.

        Raises BadFact for what can't be accepted (counted here, not by the feed), and JournalUnavailable when nothing
        was stored. A caller may give up waiting: cancelling loses nothing that was already durable.
        """
        ...

    async def badge_line(self, line: BadgeLine) -> Accepted:
        """Durable on return. A line has no id of its own: its identity is assigned here.

        Raises BadFact and JournalUnavailable as ``take`` does.
        """
        ...

    async def refused(self, refused: RefusedInput) -> None:
        """Counted by reason; of a reader's line the journal keeps that it could not be read.

        Raises JournalUnavailable when that could not be kept.
        """
        ...
