"""All reads of the store over SQL, each by itself or several of one moment."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from pagereeve.ports.kept_facts import KeptFacts
from pagereeve.store.sql.archive_reads import ArchiveReads
from pagereeve.store.sql.closed_periods import ClosedPeriodReads
from pagereeve.store.sql.credentials import CredentialReads
from pagereeve.store.sql.fact_reads import FactReads
from pagereeve.store.sql.finding_reads import FindingReads
from pagereeve.store.sql.forward_reads import ForwardReads
from pagereeve.store.sql.forwarded import OriginReads
from pagereeve.store.sql.key_checks import KeyCheckReads
from pagereeve.store.sql.loss_reads import LossReads
from pagereeve.store.sql.outbox_reads import OutboxReads
from pagereeve.store.sql.period_reads import PeriodReads
from pagereeve.store.sql.release_reads import ReleaseReads
from pagereeve.store.sql.seal_reads import SealReads
from pagereeve.store.sql.snapshots import Reader
from pagereeve.store.sql.title_expiry import TitleReads


class StoreReads(
    FactReads,
    FindingReads,
    PeriodReads,
    LossReads,
    ReleaseReads,
    OutboxReads,
    KeyCheckReads,
    CredentialReads,
    SealReads,
    ForwardReads,
    ClosedPeriodReads,
    TitleReads,
    ArchiveReads,
    OriginReads,
):
    """Implements ports.reads.Reads. Raises JournalUnavailable where reading fails."""

    def __init__(self, reader: Reader, kept: KeptFacts | None = None) -> None:
        self._reader = reader
        self.kept = kept

    @asynccontextmanager
    async def snapshot(self) -> AsyncIterator[StoreReads]:
        """While it is open the write-ahead file can't be cut: a question at a time, and no waiting for others."""
        async with self._reader.held() as reader:
            yield StoreReads(reader, self.kept)
