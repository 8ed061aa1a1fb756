"""The part of MemoryJournal by which facts are stored, each request by itself."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from typing import TypeVar

from pagereeve.domain.facts.facts import Fact, PagesDecided, PlateauRead, ReadFailed, Redated
from pagereeve.ports.journal import Receipt
from pagereeve.store.records.requests import (
    StoreRequest,
    append_counted_request,
    append_request,
    append_together_request,
    observe_request,
    redate_request,
)

Answer = TypeVar("Answer")


class MemoryAppends(ABC):
    @abstractmethod
    def _store(self, request: StoreRequest[Answer]) -> Answer:
        """Raises JournalUnavailable."""

    async def append(self, fact: Fact) -> Receipt:
        return self._store(append_request(fact))

    async def append_counted(self, decided: PagesDecided, counted: int) -> Receipt:
        """ports.decisions.DecisionStore."""
        return self._store(append_counted_request(decided, counted))

    async def append_together(self, facts: Sequence[Fact]) -> Sequence[Receipt]:
        return self._store(append_together_request(facts))

    async def redate(self, facts: Sequence[Redated]) -> None:
        self._store(redate_request(facts))

    async def observe(self, printer: str, sealed: Sequence[Fact], current: PlateauRead | ReadFailed) -> Sequence[int]:
        return self._store(observe_request(printer, sealed, current))
