"""``pagereeve move`` as a process that kills itself at a named point, and goes in small batches.

``python -m tests.integration.move_until POINT NTH CONFIG``
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from typing import Any

import asyncpg
from sqlalchemy import Connection

from pagereeve.cli import main
from pagereeve.store.postgres import moving
from pagereeve.store.postgres.upgrade import MOVE_TABLES, upgrade
from pagereeve.store.sqlite import moving as source

BATCH_ROWS = 40


def killed() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def before(work: Callable[..., Any]) -> Callable[..., Any]:
    def instead(*given: Any, **named: Any) -> Any:
        killed()
        return work(*given, **named)

    return instead


def after_nth(work: Callable[..., Any], nth: int) -> Callable[..., Any]:
    """Of something that is awaited."""
    calls = 0

    async def instead(*given: Any, **named: Any) -> Any:
        nonlocal calls
        result = await work(*given, **named)
        calls += 1
        if calls == nth:
            killed()
        return result

    return instead


def all_dropped(connection: Connection) -> None:
    """The last transaction, but for its commit."""
    with connection.begin():
        for name in MOVE_TABLES:
            connection.exec_driver_sql(f"DROP TABLE {name}")
        killed()


def arrange(point: str, nth: int) -> None:
    match point:
        case "begun":
            vars(moving)["upgrade"] = before(upgrade)
        case "made":
            moving._states = before(moving._states)
        case "within":
            asyncpg.Connection.copy_records_to_table = after_nth(asyncpg.Connection.copy_records_to_table, nth)
        case "added":
            moving.MoveTarget.add = after_nth(moving.MoveTarget.add, nth)  # type: ignore[method-assign]
        case "prepared":
            moving.MoveTarget.prepare = after_nth(moving.MoveTarget.prepare, 1)  # type: ignore[method-assign]
        case "finishing":
            moving._finished = all_dropped
        case "finished":
            moving.MoveTarget.finish = after_nth(moving.MoveTarget.finish, 1)  # type: ignore[method-assign]
        case _:
            raise ValueError(point)


if __name__ == "__main__":
    source.BATCH_ROWS = BATCH_ROWS  # type: ignore[misc]
    arrange(sys.argv[1], int(sys.argv[2]))
    main(["move", "--config", sys.argv[3]])
