"""Reading the outbox: ports.outbox.Outbox's reads over SQL."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sqlalchemy import func, select

from pagereeve.domain.alerts.message import Notification
from pagereeve.ports.outbox import Change, Kept, Queue
from pagereeve.store.sql import tables as schema
from pagereeve.store.sql.outbox_writes import kept_of, message_of
from pagereeve.store.sql.snapshots import Reader


class OutboxReads:
    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    async def changes(self, limit: int) -> Sequence[Change]:
        table = schema.finding_change
        rows = await self._reader.rows(select(table).order_by(table.c.number).limit(limit))
        return [Change(row.number, row.finding) for row in rows]

    async def alerts(self) -> Sequence[Kept]:
        return [kept_of(row) for row in await self._reader.rows(select(schema.alert).order_by(schema.alert.c.id))]

    async def waiting(self, receiver: str, limit: int) -> Sequence[Notification]:
        table = schema.message
        mine = select(table).where(table.c.receiver == receiver)
        rows = await self._reader.rows(mine.order_by(table.c.at_us, table.c.alert, table.c.nth).limit(limit))
        return [message_of(row) for row in rows]

    async def queues(self) -> Mapping[str, Queue]:
        table = schema.message.c
        counted = select(table.receiver, func.count().label("waiting"), func.min(table.at_us).label("oldest_us"))
        async with self._reader.snapshot() as connection:
            waiting = (await connection.execute(counted.group_by(table.receiver))).all()
            known = (await connection.execute(select(schema.receiver))).all()
        queues = {row.name: Queue(last_success_us=row.last_success_us) for row in known}
        for row in waiting:
            last_us = queues.get(row.receiver, Queue()).last_success_us
            queues[row.receiver] = Queue(row.waiting, row.oldest_us, last_us)
        return queues
