"""What is to be proven of one printer, and how patiently."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, Protocol

from pagereeve.ports.meter import MeterTarget

Language = Literal["text", "pjl", "postscript", "pcl", "pwg"]


@dataclass(frozen=True, slots=True)
class Patience:
    """Seconds. ``second_s``: for all that the second reader does; ``rest_s``: how long the count must not move after
    a test job; ``job_s``: the longest for one.
    """

    connect_s: float = 5.0
    read_s: float = 8.0
    inspect_s: float = 20.0
    second_s: float = 20.0
    quiet_s: float = 10.0
    poll_s: float = 0.5
    rest_s: float = 15.0
    job_s: float = 240.0


class Operator(Protocol):
    """A person at the printer. None: not looked, or not there any more."""

    async def panel(self, printer: str) -> int | None:
        """All pages as the printer's panel shows them."""
        ...

    async def sheets(self, printer: str, job: str) -> int | None:
        """How many sheets of a test job lie in the tray, separators left out."""
        ...


@dataclass(frozen=True, slots=True)
class Noted:
    """``why_not`` is empty where the note was taken; ``refused``: somebody was there, and did not take it."""

    why_not: str = ""
    refused: bool = False


class Notes(Protocol):
    """Who hears that test pages are about to be printed, so that nobody takes them for stray ones."""

    async def test_pages(self, printer: str) -> Noted: ...


@dataclass(frozen=True, slots=True)
class Plan:
    """``print_port`` and ``web_port`` are on the target's host; None: not asked for. ``language``: print test pages.

    ``panel`` is the figure on the printer's panel, ``sheets_seen`` how many sheets the two-sided job gave, as a person
    saw them; where they are None and somebody is there, ``person`` is asked. ``notes`` hears of each test job first.
    ``gateway_hosts`` are addresses of gateways: an agent at port 161 there may be the box's own.
    """

    target: MeterTarget
    print_port: int | None = 9100
    web_port: int | None = None
    panel: int | None = None
    language: Language | None = None
    sheets_seen: int | None = None
    person: Operator | None = None
    notes: Notes | None = None
    gateway_hosts: frozenset[str] = frozenset()
    patience: Patience = field(default_factory=Patience)
