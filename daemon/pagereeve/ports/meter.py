"""A printer's meter, as the engine sees it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, Protocol

from pagereeve.domain.reading import Failure, Reading


@dataclass(frozen=True, slots=True)
class MeterTarget:
    """How to reach one printer's agent. Many may share one host: the port tells them apart.

    ``serial`` and ``object_id``, where not empty, are what the registry says must answer.
    """

    printer: str
    host: str
    port: int = 161
    version: Literal["1", "2c"] = "2c"
    community: str = field(default="public", repr=False)
    serial: str = ""
    object_id: str = ""


class Meter(Protocol):
    async def read(self, target: MeterTarget, timeout_s: float) -> Reading | Failure:
        """One reading within ``timeout_s``, all tries included. Never raises for what a network or printer does.

        Never two requests in flight to one printer: a second call waits for the first to end.
        """
        ...
