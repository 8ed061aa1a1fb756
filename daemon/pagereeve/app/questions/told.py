"""What the daemon tells its query process at its start: so many bytes of JSON, behind their number."""

from __future__ import annotations

from pathlib import Path
from typing import BinaryIO, Final, Self

from pydantic import BaseModel, ConfigDict

from pagereeve.app.journals import place_of
from pagereeve.console.api.site import AskedSite
from pagereeve.settings import Settings
from pagereeve.settings.sections import LogSettings
from pagereeve.store.postgres.address import Address

LENGTH_BYTES: Final = 8


class Told(BaseModel):
    """``descriptor`` is the socket that listens, inherited."""

    model_config = ConfigDict(frozen=True)

    descriptor: int
    journal: Path | Address
    log: LogSettings
    site: AskedSite

    @classmethod
    def of(cls, settings: Settings, descriptor: int) -> Self:
        return cls(descriptor=descriptor, journal=place_of(settings), log=settings.log, site=AskedSite.of(settings))

    def to_bytes(self) -> bytes:
        body = self.model_dump_json(by_alias=True, exclude_unset=True).encode()
        return len(body).to_bytes(LENGTH_BYTES, "big") + body

    @classmethod
    def read(cls, stream: BinaryIO) -> Self:
        """Waits for all of it, and reads nothing beyond."""
        length = int.from_bytes(stream.read(LENGTH_BYTES), "big")
        return cls.model_validate_json(stream.read(length))
