"""Senders that wait at one worker for the meter of a printer that another worker watches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Gate:
    """The sender of a start notice (``source`` and ``id``, of ``started_us``) waits for ``left_s`` more, with ``rest``
    also for the releases before it.
    """

    printer: str
    source: str
    id: str
    started_us: int
    left_s: float
    rest: bool = False

    @property
    def notice(self) -> tuple[str, str]:
        return (self.source, self.id)


class Gates(Protocol):
    """A message board and no truth: what is lost of it costs a sender its wait. Each raises JournalUnavailable."""

    async def ask(self, gate: Gate) -> None:
        """Whoever watches its printer is to answer it, by a ReleaseAnswered."""
        ...

    async def withdraw(self, gate: Gate) -> None:
        """Nobody waits any more."""
        ...

    async def asked(self) -> Sequence[Gate] | None:
        """Those that were asked by other workers and wait for their answers still; None where there is no reason to
        look again yet.
        """
        ...

    async def answer(self, gate: Gate) -> bool:
        """Before the answer is stored: whether anybody waits for it still."""
        ...
