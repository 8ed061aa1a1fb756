"""Credentials made and revoked beside a running daemon, or without one: one short transaction of its own."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Final

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from pagereeve.store.errors import unavailable
from pagereeve.store.postgres.address import Address
from pagereeve.store.postgres.connections import WriterConnection
from pagereeve.store.postgres.upgrade import require_usable

# Who changes one has looked at all of them: what two at once would add might not go together.
_ONE_AT_A_TIME: Final = "LOCK TABLE credential IN SHARE ROW EXCLUSIVE MODE"


async def change(address: Address, work: Callable[[Connection], None]) -> None:
    """``work`` is durable once this returns; what it raises undoes it.

    Raises NewerSchema, NotAJournal or JournalUnavailable besides.
    """
    writer = WriterConnection(address)
    try:
        await writer.run(partial(_changed, name=str(address), work=work))
    except (DBAPIError, OSError) as error:
        raise unavailable(str(address), error) from error
    finally:
        await writer.close()


def _changed(connection: Connection, name: str, work: Callable[[Connection], None]) -> None:
    with connection.begin():
        require_usable(connection, name)
        connection.exec_driver_sql(_ONE_AT_A_TIME)
        work(connection)
