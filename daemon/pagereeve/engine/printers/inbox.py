"""What a printer's watcher was handed and has not taken yet."""

from __future__ import annotations

from dataclasses import dataclass, field

from pagereeve.engine.printers.arrivals import Arrival


@dataclass(slots=True)
class Inbox:
    """In the order in which they came, ``most`` at once. Nobody waits at it: a queue of asyncio, of which each of
    thousands of printers would have one, takes fifty times the room.
    """

    most: int
    _arrivals: list[Arrival] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self._arrivals)

    @property
    def is_full(self) -> bool:
        return len(self._arrivals) >= self.most

    def put(self, arrival: Arrival) -> None:
        """The caller asks ``is_full`` first."""
        self._arrivals.append(arrival)

    def take(self) -> Arrival:
        """The first; it is in it no more. Raises IndexError where there is none."""
        return self._arrivals.pop(0)
