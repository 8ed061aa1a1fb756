"""What the daemon asks of the process that packs a period, and its answer: JSON behind its length, then the parts."""

from __future__ import annotations

from pathlib import Path
from typing import BinaryIO, Final, Literal, Self

from pydantic import BaseModel, ConfigDict

from pagereeve.app.closing import ClosingRequest
from pagereeve.console.api.site import AskedSite
from pagereeve.ports.closing import Closing
from pagereeve.queries.costs import Prices
from pagereeve.settings.sections import LogSettings
from pagereeve.store.postgres.address import Address

LENGTH_BYTES: Final = 8
HEAD_MAX_BYTES: Final = 2**20
PART_MAX_BYTES: Final = 2**26
PACKED_MAX_BYTES: Final = 2**30


class Asked(BaseModel):
    """Which period, by whom, despite what, and when it is now (microseconds since 1970)."""

    model_config = ConfigDict(frozen=True)

    journal: Path | Address
    log: LogSettings
    site: AskedSite
    period: str
    despite: str
    by: str
    now_us: int

    def request(self) -> ClosingRequest:
        return ClosingRequest(self.site.chosen(self.period), self.despite)

    def prices(self) -> Prices | None:
        return Prices(self.site.prices, self.site.price_classes) if self.site.rates else None

    def to_bytes(self) -> bytes:
        return framed(self.model_dump_json(by_alias=True, exclude_unset=True).encode())

    @classmethod
    def read(cls, stream: BinaryIO) -> Self:
        """Waits for all of it, and reads nothing beyond."""
        length = int.from_bytes(stream.read(LENGTH_BYTES), "big")
        return cls.model_validate_json(stream.read(length))


class Refused(BaseModel):
    """``hindrances``: what stands in the way, where that is all. ``unavailable``: the journal can't be read now."""

    kind: Literal["refused"] = "refused"
    text: str
    hindrances: tuple[str, ...] = ()
    unavailable: bool = False


class Ready(BaseModel):
    """So many ``parts`` follow."""

    kind: Literal["ready"] = "ready"
    closing: Closing
    rows: int
    sha256: str
    touched: int
    parts: int


class Answered(BaseModel):
    head: Refused | Ready


def framed(body: bytes) -> bytes:
    return len(body).to_bytes(LENGTH_BYTES, "big") + body
