"""Long work on rows lets others have the loop in between."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import replace
from typing import Final

from pagereeve.domain.accounts.export_rows import ExportRow
from pagereeve.queries.exports import Export

ROWS: Final = 200


def yielding(export: Export) -> Export:
    """The same rows; after each ROWS of them the loop has its turn."""
    return replace(export, rows=_rows(export.rows))


async def _rows(rows: AsyncIterator[ExportRow]) -> AsyncIterator[ExportRow]:
    passed = 0
    async for row in rows:
        yield row
        passed += 1
        if passed % ROWS == 0:
            await asyncio.sleep(0)
