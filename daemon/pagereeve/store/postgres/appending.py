"""Appending where others append, too: what this worker knows of the heads holds until somebody else has stored.

What is stored once is so by the keys uq_fact_seq (printer, number), uq_fact_identity (source, id), pk_fact and
pk_seal_entry (place): who comes second is refused, reads anew and joins its group again. That a group takes the seal's
row first, so that groups come one after another, only spares these second tries.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from pagereeve.store.newest import Newest
from pagereeve.store.postgres.own_places import OwnPlaces
from pagereeve.store.postgres.sqlstates import sqlstate_of
from pagereeve.store.records.batch import Batch, Replacement
from pagereeve.store.records.rows_versions import require_newest
from pagereeve.store.sql.transaction import Heads, Outcome

_BEGIN: Final = (
    "WITH noted AS (INSERT INTO group_note (writer, number) VALUES ($1::bigint, $2::bigint) "
    "ON CONFLICT (writer) DO UPDATE SET number = excluded.number, at = excluded.at) "
    "SELECT size, pg_current_xact_id()::text FROM seal"
)
_IN_TURN: Final = f"{_BEGIN} FOR UPDATE"
_FOLLOWED: Final = (
    "INSERT INTO rows_version (printer, version) VALUES ($1, 1) ON CONFLICT (printer) DO UPDATE "
    "SET version = rows_version.version + 1 WHERE $2::bigint IS NULL OR rows_version.version = $2 RETURNING version"
)
# What is found is held until the commit: nobody takes a printer over (hints.py) before what is stored of it is seen.
_WATCHED: Final = "SELECT name, worker FROM hint WHERE kind = 'printer' AND name = ANY($1::text[]) FOR KEY SHARE"
_STATUS: Final = "SELECT pg_xact_status($1::text::xid8)"
_NOTED: Final = "SELECT number FROM group_note WHERE writer = $1::bigint"
_NO_SUCH_YET: Final = "22023"
"""Of a transaction whose number has not been given yet."""


@dataclass(frozen=True, slots=True)
class Pending:
    """A commit that was sent: group ``number`` of the writer."""

    transaction: str
    writer: int
    number: int
    outcome: Outcome


@dataclass(slots=True)
class SharedHeads(Heads):
    """``in_turn``: the seal's row is taken at each group's beginning. Right without it too. ``others``: somebody else
    may watch printers; not where this session holds the lock of the only one. ``writer`` is the fence, which nobody
    else has. ``own``: where that stands which was stored through these heads. ``newest``: what the last commit that was
    sent made the newest fact.
    """

    in_turn: bool = True
    others: bool = True
    pending: Pending | None = None
    writer: int = 0
    own: OwnPlaces = field(default_factory=OwnPlaces)
    newest: Newest = field(default_factory=Newest)
    _number: int = 0
    _transaction: str = ""

    def begin(self, connection: Connection) -> None:
        self.pending = None
        self.sealing.added = (0, 0)
        self.newest = Newest()
        self._number += 1
        begin = _IN_TURN if self.in_turn else _BEGIN
        size, self._transaction = connection.exec_driver_sql(begin, (self.writer, self._number)).one()
        if self.sealing.state is not None and self.sealing.size != size:
            self.forget()

    def follow(self, connection: Connection, replacements: Sequence[Replacement]) -> None:
        """The printer's row is held until the commit: whoever comes meanwhile waits, and sees what became of it."""
        for one in replacements:
            became = connection.exec_driver_sql(_FOLLOWED, (one.printer, one.after)).scalar_one_or_none()
            require_newest(one, -1 if became is None else became - 1)

    def seal_runs_of_others(self, connection: Connection, batch: Batch) -> None:
        """Whoever lost a printer and writes of it all the same, as it stood still meanwhile, takes nothing away from
        whoever has it now: the same readings stored by two count once (domain).
        """
        if self.others and batch.open_runs:
            for printer, worker in connection.exec_driver_sql(_WATCHED, (list(batch.open_runs),)).all():
                if worker != self.writer:
                    batch.seal_open(printer)

    def learn(self, heads: dict[str, int]) -> None:
        Heads.learn(self, heads)
        self.own.add(*self.sealing.added)

    def before_commit(self, outcome: Outcome) -> None:
        self.pending = Pending(self._transaction, self.writer, self._number, outcome)
        state = self.sealing.state
        if outcome.last is not None and state is not None:
            link = state.links[outcome.last.filing.printer]
            self.newest = Newest(self.writer, state.tree.size, link.hex())


def became(connection: Connection, pending: Pending) -> Literal["committed", "aborted", "in progress"]:
    """What the server says of its transaction shows only that it is not at work any more: after a crash numbers of
    transactions of which nothing had reached the log are given again, to others, which then commit. What it stored is
    asked in a statement of its own, which sees all that ended before.
    """
    if _is_in_progress(connection, pending):
        return "in progress"
    with connection.begin():
        noted = connection.exec_driver_sql(_NOTED, (pending.writer,)).scalar_one_or_none()
    return "committed" if noted == pending.number else "aborted"


def _is_in_progress(connection: Connection, pending: Pending) -> bool:
    """postgresql.org/docs/15/functions-info.html, pg_xact_status."""
    try:
        with connection.begin():
            return connection.exec_driver_sql(_STATUS, (pending.transaction,)).scalar_one_or_none() == "in progress"
    except DBAPIError as error:
        if sqlstate_of(error) == _NO_SUCH_YET:
            return False
        raise
