"""What the writer's thread does with a group: nothing is acknowledged that the next start would not find."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, TypeVar

from sqlalchemy import Connection

from pagereeve.domain.facts.closed import FactsArchived
from pagereeve.ports.archives import ArchiveFile, ArchivePart
from pagereeve.ports.closing import ClosedPeriod, ClosingAttempt
from pagereeve.ports.erasing import Erasure, ErasureOutcome, TitleExpiry, TitlesExpired
from pagereeve.ports.origins import Forwarded, ForwardedFact
from pagereeve.store.newest import Newest, NewestFile, digest_of
from pagereeve.store.records.batch import Numbered
from pagereeve.store.records.checked_rows import digest_text
from pagereeve.store.records.requests import StoreRequest
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.closing_parts import PartGroup
from pagereeve.store.sql.transaction import (
    Heads,
    Outcome,
    append_forwarded_facts,
    archive_facts,
    close_period,
    erase_person,
    expire_titles_of,
    store_group,
)
from pagereeve.store.sqlite.watched_files import WatchedFiles

Result = TypeVar("Result")

# The newest fact is never deleted, so that its row id counts all that were stored. Asked of the driver itself:
# SQLAlchemy would take longer over the question than the database over the answer.
_SEQUENCE: Final = "SELECT max(rowid) FROM fact"
_LATEST: Final = "SELECT rowid, printer, seq, body, digest FROM fact ORDER BY rowid DESC LIMIT 1"


@dataclass(slots=True)
class Committer:
    """Belongs to the writer's thread."""

    files: WatchedFiles
    newest: NewestFile
    fence: int
    heads: Heads = field(default_factory=Heads)
    _committed: Newest = field(default_factory=Newest)
    _noted: Newest = field(default_factory=Newest)

    @property
    def sealed_facts(self) -> int:
        """How many facts were sealed with the last group; may be asked from any thread."""
        return self.heads.sealing.size

    def begin(self, connection: Connection) -> None:
        """Note the journal as it is found. Raises OSError."""
        row = _driver(connection).execute(_LATEST).fetchone()
        sequence, digest = (0, Newest().digest) if row is None else (row[0], digest_of(*row[1:]))
        self._committed = Newest(self.fence, sequence, digest)
        self._note()

    def store(self, connection: Connection, requests: Sequence[StoreRequest[Any]]) -> Outcome:
        """Returns only once the group is committed and noted, and the files are still in their places.

        The first commit after a file was moved leaves rows in it that nobody was told of: what is sent again is then
        known, once the file is back.
        """
        self.files.require_if_gone()
        outcome = store_group(connection, requests, self.heads)
        self._acknowledge(connection, outcome.last)
        return outcome

    def erase(self, connection: Connection, erasure: Erasure) -> ErasureOutcome:
        """As ``store``: durable and noted."""
        self.files.require_if_gone()
        outcome, last = erase_person(connection, erasure, self.heads)
        self._acknowledge(connection, last)
        return outcome

    def expire_titles(self, connection: Connection, expiry: TitleExpiry) -> TitlesExpired:
        """As ``store``: durable and noted. What goes is overwritten in the file: nobody makes it anew each time."""
        self.files.require_if_gone()
        _driver(connection).execute("PRAGMA secure_delete = ON")
        try:
            done, last = expire_titles_of(connection, expiry, self.heads)
        finally:
            _driver(connection).execute("PRAGMA secure_delete = OFF")
        self._acknowledge(connection, last)
        return done

    def append_forwarded(
        self, connection: Connection, origin: str, site: str, facts: Sequence[ForwardedFact]
    ) -> Forwarded:
        """As ``store``: durable and noted. Raises BatchRefused."""
        self.files.require_if_gone()
        done, last = append_forwarded_facts(connection, origin, site, facts, self.heads)
        self._acknowledge(connection, last)
        return done

    def close_step(self, connection: Connection, step: Callable[[Connection], Result]) -> Result:
        """As ``store``, of what brings no fact. Raises NotClosed."""
        self.files.require_if_gone()
        done = step(connection)
        self._acknowledge(connection, None)
        return done

    def close_period(
        self, connection: Connection, closed: ClosedPeriod, mine: ClosingAttempt, last: PartGroup, touched: int
    ) -> None:
        """As ``store``: durable and noted. Raises NotClosed."""
        self.files.require_if_gone()
        self._acknowledge(connection, close_period(connection, closed, mine, last, touched, self.heads))

    def archive_facts(
        self, connection: Connection, archived: ArchiveFile, parts: Sequence[ArchivePart], fact: FactsArchived
    ) -> None:
        """As ``store``: durable and noted."""
        self.files.require_if_gone()
        self._acknowledge(connection, archive_facts(connection, archived, parts, fact, self.heads))

    def _acknowledge(self, connection: Connection, last: Numbered | None) -> None:
        if last is not None:
            sequence = _driver(connection).execute(_SEQUENCE).fetchone()[0]
            filing = last.filing
            digest = digest_of(filing.printer, last.seq, filing.body, digest_text(filing))
            self._committed = Newest(self.fence, sequence, digest)
        self._note()
        self.files.require()

    def _note(self) -> None:
        """Also what could not be noted the last time: those who sent it may have sent it again."""
        if self._noted != self._committed:
            self.newest.write(self._committed)
            self._noted = self._committed

    def probe(self, connection: Connection) -> None:
        """A commit that changes nothing. Raises what storing would raise."""
        self.files.require_if_gone()
        since_us = schema.instance.c.since_us
        with connection.begin():
            # There and back: a page whose bytes would be the same is not even written, and a full disk not met.
            connection.execute(schema.instance.update().values(since_us=since_us + 1))
            connection.execute(schema.instance.update().values(since_us=since_us - 1))
        self._note()
        self.newest.sync()


def _driver(connection: Connection) -> Any:
    return connection.connection.driver_connection
