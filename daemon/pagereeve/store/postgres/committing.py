"""What is done on the connection that writes, beside groups."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final, TypeVar

from sqlalchemy import Connection, text

from pagereeve.domain.facts.closed import FactsArchived
from pagereeve.ports.archives import ArchiveFile, ArchivePart
from pagereeve.ports.closing import ClosedPeriod, ClosingAttempt
from pagereeve.ports.erasing import Erasure, ErasureOutcome, TitleExpiry, TitlesExpired
from pagereeve.ports.origins import Forwarded, ForwardedFact
from pagereeve.store.postgres.appending import SharedHeads
from pagereeve.store.sql.closing_parts import PartGroup
from pagereeve.store.sql.transaction import (
    append_forwarded_facts,
    archive_facts,
    close_period,
    erase_person,
    expire_titles_of,
)

Result = TypeVar("Result")

ARCHIVES_KEY: Final = 0x5061_6765_6172_6368
"""Of the advisory lock of whoever puts facts into files: one at a time."""
_FENCE: Final = text(
    "INSERT INTO instance (id, fence, holder, since_us) VALUES (1, 1, :holder, :since_us) ON CONFLICT (id) DO UPDATE "
    "SET fence = instance.fence + 1, holder = excluded.holder, since_us = excluded.since_us RETURNING fence"
)
# Nobody looks any more for what became of such a group.
_OLD_NOTES: Final = (
    "DELETE FROM group_note WHERE at < now() - interval '7 days' AND writer < (SELECT fence FROM instance)"
)
_PROBE: Final = "UPDATE instance SET since_us = since_us"
_SIZE: Final = "SELECT pg_database_size(current_database())"
_ARCHIVES: Final = f"SELECT pg_try_advisory_lock({ARCHIVES_KEY})"


@dataclass(slots=True)
class Committer:
    """sql.journal_writes.Alone."""

    heads: SharedHeads = field(default_factory=SharedHeads)

    def erase(self, connection: Connection, erasure: Erasure) -> ErasureOutcome:
        return erase_person(connection, erasure, self.heads)[0]

    def expire_titles(self, connection: Connection, expiry: TitleExpiry) -> TitlesExpired:
        return expire_titles_of(connection, expiry, self.heads)[0]

    def append_forwarded(
        self, connection: Connection, origin: str, site: str, facts: Sequence[ForwardedFact]
    ) -> Forwarded:
        """Raises BatchRefused."""
        return append_forwarded_facts(connection, origin, site, facts, self.heads)[0]

    def archive_facts(
        self, connection: Connection, archived: ArchiveFile, parts: Sequence[ArchivePart], fact: FactsArchived
    ) -> None:
        archive_facts(connection, archived, parts, fact, self.heads)

    def close_step(self, connection: Connection, step: Callable[[Connection], Result]) -> Result:
        """Raises NotClosed."""
        return step(connection)

    def close_period(
        self, connection: Connection, closed: ClosedPeriod, mine: ClosingAttempt, last: PartGroup, touched: int
    ) -> None:
        """Raises NotClosed."""
        close_period(connection, closed, mine, last, touched, self.heads)


def raise_fence(connection: Connection, now_us: int) -> int:
    """One more than the last that was opened, stored as ours."""
    holder = f"process {os.getpid()} on {socket.gethostname()}"
    with connection.begin():
        connection.exec_driver_sql(_OLD_NOTES)
        return int(connection.execute(_FENCE, {"holder": holder, "since_us": now_us}).scalar_one())


def probe(connection: Connection) -> None:
    """A commit that changes nothing. Raises what storing would raise."""
    with connection.begin():
        connection.exec_driver_sql(_PROBE)


def size_bytes(connection: Connection) -> int:
    with connection.begin():
        return int(connection.exec_driver_sql(_SIZE).scalar_one())


def begin_archiving(connection: Connection) -> bool:
    """For as long as the session lives. False: somebody else does. What is right the tables guard by themselves."""
    with connection.begin():
        return bool(connection.exec_driver_sql(_ARCHIVES).scalar_one())
