"""Long work on rows lets others have the loop in between."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from typing import Final

from pagereeve.domain.accounts.export_rows import ExportRow
from pagereeve.queries.exports import Export

ROWS: Final = 200


def yielding(export: Export, advanced: Callable[[], None] = lambda: None) -> Export:
    """The same rows; after each ROWS of them ``advanced`` is called, and the loop has its turn."""
    return replace(export, rows=_rows(export.rows, advanced))


async def _rows(rows: AsyncIterator[ExportRow], advanced: Callable[[], None]) -> AsyncIterator[ExportRow]:
    passed = 0
    async for row in rows:
        yield row
        passed += 1
        if passed % ROWS == 0:
            advanced()
            await asyncio.sleep(0)
