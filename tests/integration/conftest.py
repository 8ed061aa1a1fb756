"""What several integration tests need."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from pagereeve.app.clocks import SystemClock
from pagereeve.ports.store import Store
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.sqlite.journal import SqlJournal


@pytest.fixture(params=["memory", "sqlite"])
async def store(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Store]:
    """Each implementation of the store in turn: a contract's test runs on all of them."""
    if request.param == "memory":
        yield MemoryJournal()
        return
    journal = await SqlJournal.open(tmp_path / "journal.db", SystemClock())
    yield journal
    await journal.close()
