"""What is asked of an agent and what comes of it."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from typing import NamedTuple

from pagereeve.domain.reading import SilenceReason
from pagereeve.meters.address import Address
from pagereeve.meters.lane import Lane
from pagereeve.meters.message import Response, Template


@dataclass(frozen=True, slots=True)
class Patience:
    """How long each try is waited for: the first ``first_s``, each further one ``growth`` times longer."""

    first_s: float = 1.0
    growth: float = 2.0
    tries_max: int = 5


class Answer(NamedTuple):
    """``sent_us`` is the wall time of the try that was answered; ``received_us`` is never before it."""

    response: Response
    sent_us: int
    received_us: int


class Unanswered(NamedTuple):
    """``responder`` is the address of somebody who spoke, though not usefully."""

    reason: SilenceReason
    detail: str
    responder: str = ""


class Sent(NamedTuple):
    wall_us: int
    monotonic_us: int


@dataclass(slots=True, eq=False)
class Question:
    """One question on its way. ``sent`` has the id of each try; ``due_us`` is when the next step is due."""

    address: Address
    lane: Lane
    template: Template
    deadline_us: int
    patience: Patience
    wait_us: int
    done: asyncio.Future[Answer | Unanswered]
    sent: dict[int, Sent] = field(default_factory=dict)
    due_us: int = 0
    ended: bool = False
    unreadable: str = ""
    stray: str = ""
    unreachable: str = ""

    def verdict(self, asked: str) -> Unanswered:
        """Why it stayed without an answer, from what was seen meanwhile; ``asked`` names the address."""
        if self.unreadable:
            return Unanswered(SilenceReason.MALFORMED, f"{asked} answered unreadably: {self.unreadable}", asked)
        if self.stray:
            text = (
                f"{asked} was asked, but an answer with the right id came from {self.stray} and was refused: "
                "the printer or the box before it answers from another address or port"
            )
            return Unanswered(SilenceReason.TIMEOUT, text, self.stray)
        if self.unreachable:
            return Unanswered(SilenceReason.UNREACHABLE, f"{asked} can't be reached: {self.unreachable}")
        return Unanswered(SilenceReason.TIMEOUT, f"no answer from {asked} to {len(self.sent)} request(s)")
