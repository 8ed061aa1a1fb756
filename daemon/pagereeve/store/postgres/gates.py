"""ports.gates.Gates: rows of an unlogged table, which live as long as somebody waits, by the server's clock."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from functools import partial
from time import monotonic
from typing import Any, Final, Protocol

from sqlalchemy import Connection

from pagereeve.ports.gates import Gate

CHANNEL: Final = "pagereeve_gate"
LOOK_S: Final = 0.9
"""Each second, when nothing is told."""
ASKED_MAX: Final = 1_000

# Rows of those whose time is over go with the next that come.
_ASK: Final = (
    "WITH gone AS (DELETE FROM gate WHERE ctid IN (SELECT ctid FROM gate WHERE until < now() LIMIT 100 "
    "FOR UPDATE SKIP LOCKED)), asked AS (INSERT INTO gate (source, id, printer, started_us, rest, writer, until) "
    "VALUES ($1, $2, $3, $4::bigint, $5::boolean, $6::bigint, now() + $7::float8 * interval '1 second') "
    "ON CONFLICT DO NOTHING) SELECT pg_notify($8, '')::text"
)
_WITHDRAW: Final = "WITH gone AS (DELETE FROM gate WHERE source = $1 AND id = $2) SELECT pg_notify($3, '')::text"
_ASKED: Final = (
    "SELECT printer, source, id, started_us, extract(epoch FROM until - now())::float8, rest FROM gate "
    "WHERE until > now() AND NOT answered AND writer <> $1::bigint ORDER BY at, source, id LIMIT $2::integer"
)
_ANSWER: Final = (
    "UPDATE gate SET answered = true WHERE source = $1 AND id = $2 AND until > now() AND NOT answered RETURNING 1"
)


class Runs(Protocol):
    def __call__(self, work: Callable[[Connection], Sequence[Any]], /) -> Awaitable[Sequence[Any]]: ...


class PostgresGates:
    """``told``: there may be something new, as the server said."""

    def __init__(self, run: Runs, writer: int) -> None:
        self._run = run
        self._writer = writer
        self._looked_s = -LOOK_S
        self.told = True

    async def ask(self, gate: Gate) -> None:
        values = (*gate.notice, gate.printer, gate.started_us, gate.rest, self._writer, gate.left_s, CHANNEL)
        await self._run(partial(_rows, text=_ASK, values=values))

    async def withdraw(self, gate: Gate) -> None:
        await self._run(partial(_rows, text=_WITHDRAW, values=(*gate.notice, CHANNEL)))

    async def asked(self) -> Sequence[Gate] | None:
        if not self.told and monotonic() - self._looked_s < LOOK_S:
            return None
        self.told, self._looked_s = False, monotonic()
        found = await self._run(partial(_rows, text=_ASKED, values=(self._writer, ASKED_MAX)))
        return [Gate(*one) for one in found]

    async def answer(self, gate: Gate) -> bool:
        return bool(await self._run(partial(_rows, text=_ANSWER, values=gate.notice)))


def _rows(connection: Connection, text: str, values: tuple[Any, ...]) -> Sequence[Any]:
    return connection.exec_driver_sql(text, values).all()
