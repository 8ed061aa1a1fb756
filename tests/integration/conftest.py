"""What several integration tests need."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from pagereeve.clocks import SystemClock
from pagereeve.journal.memory import MemoryJournal
from pagereeve.journal.store import SqlJournal
from pagereeve.ports.store import Store


@pytest.fixture(params=["memory", "sqlite"])
async def store(request: pytest.FixtureRequest, tmp_path: Path) -> AsyncIterator[Store]:
    """Each implementation of the store in turn: a contract's test runs on all of them."""
    if request.param == "memory":
        yield MemoryJournal()
        return
    journal = await SqlJournal.open(tmp_path / "journal.db", SystemClock())
    yield journal
    await journal.close()
