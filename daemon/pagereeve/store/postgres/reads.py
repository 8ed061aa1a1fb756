"""The journal for those who only read, beside the daemons that write it."""

from __future__ import annotations

from typing import Self

from pagereeve.ports.journal import JournalUnavailable
from pagereeve.store.errors import cant_open
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.connections import reading_engine
from pagereeve.store.postgres.upgrade import require_usable
from pagereeve.store.sql.archiving import ArchivableReads
from pagereeve.store.sql.reads import StoreReads
from pagereeve.store.sql.snapshots import Reader


class PostgresReads(StoreReads, ArchivableReads):
    """All reads of ports.journal, ledger, outbox and queries. Raises JournalUnavailable where reading fails."""

    def __init__(self, address: Address) -> None:
        super().__init__(Reader(reading_engine(address), str(address), archives=address.archives))
        self._name = str(address)

    @classmethod
    async def open_for_reading(cls, address: Address) -> Self:
        """Raises CantOpen, NewerSchema or NotAJournal."""
        reads = cls(address)
        try:
            async with reads._reader.snapshot() as connection:
                await connection.run_sync(require_usable, str(address))
        except JournalUnavailable as error:
            await reads.close()
            raise cant_open(str(address), error.__cause__ or error) from error
        except BaseException:
            await reads.close()
            raise
        return reads

    async def close(self) -> None:
        await self._reader.close()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()
