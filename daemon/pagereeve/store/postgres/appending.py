"""Appending where others append, too: what this worker knows of the heads holds until somebody else has stored.

What is stored once is so by the keys pk_fact (printer, number), uq_fact_identity (source, id) and pk_seal_entry
(place): who comes second is refused, reads anew and joins its group again. That a group takes the seal's row first, so
that groups come one after another, only spares these second tries.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from sqlalchemy import Connection

from pagereeve.store.records.batch import Replacement
from pagereeve.store.records.rows_versions import require_newest
from pagereeve.store.sql.transaction import Heads, Outcome

_BEGIN: Final = "SELECT size, pg_current_xact_id()::text FROM seal"
_IN_TURN: Final = f"{_BEGIN} FOR UPDATE"
_FOLLOWED: Final = (
    "INSERT INTO rows_version (printer, version) VALUES ($1, 1) ON CONFLICT (printer) DO UPDATE "
    "SET version = rows_version.version + 1 WHERE $2::bigint IS NULL OR rows_version.version = $2 RETURNING version"
)
_BECAME: Final = "SELECT pg_xact_status($1::text::xid8)"


@dataclass(frozen=True, slots=True)
class Pending:
    """A commit that was sent: whether it is stored the server knows by its transaction."""

    transaction: str
    outcome: Outcome


@dataclass(slots=True)
class SharedHeads(Heads):
    """``in_turn``: the seal's row is taken at each group's beginning. Right without it too."""

    in_turn: bool = True
    pending: Pending | None = None
    _transaction: str = ""

    def begin(self, connection: Connection) -> None:
        self.pending = None
        size, self._transaction = connection.exec_driver_sql(_IN_TURN if self.in_turn else _BEGIN).one()
        if self.sealing.state is not None and self.sealing.size != size:
            self.forget()

    def follow(self, connection: Connection, replacements: Sequence[Replacement]) -> None:
        """The printer's row is held until the commit: whoever comes meanwhile waits, and sees what became of it."""
        for one in replacements:
            became = connection.exec_driver_sql(_FOLLOWED, (one.printer, one.after)).scalar_one_or_none()
            require_newest(one, -1 if became is None else became - 1)

    def before_commit(self, outcome: Outcome) -> None:
        self.pending = Pending(self._transaction, outcome)


def became(connection: Connection, pending: Pending) -> str:
    """Either "committed", "aborted" or "in progress" (postgresql.org/docs/15/functions-info.html)."""
    with connection.begin():
        found = connection.exec_driver_sql(_BECAME, (pending.transaction,)).scalar_one_or_none()
        return str(found or "aborted")
