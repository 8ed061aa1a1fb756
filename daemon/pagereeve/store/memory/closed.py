"""Closed periods in memory: ports.closing, with the same promises."""

from __future__ import annotations

import hashlib
from collections.abc import AsyncIterator, Collection, Sequence
from dataclasses import replace

from pagereeve.domain.accounts.frozen import FrozenRow
from pagereeve.domain.facts.events import PAGES_DECIDED
from pagereeve.ports.closing import ClosedPeriod, Closing, ClosingAttempt, NotClosed, PackedRows, Touch
from pagereeve.ports.erasing import Erasure
from pagereeve.store.memory.ledger import MemoryLedger
from pagereeve.store.records.batch import Numbered, Replacement
from pagereeve.store.records.frozen_rows import Unpacker, packed, unpacked, without_person


class MemoryClosed(MemoryLedger):
    def __init__(self) -> None:
        super().__init__()
        self._closed: dict[str, ClosedPeriod] = {}
        self._parts: dict[str, list[bytes]] = {}
        self._touched: dict[tuple[str, str], int] = {}
        self._touches = 0
        self._under_way: dict[str, ClosingAttempt] = {}
        self._attempts = 0

    async def begin_closing(self, name: str, from_us: int, to_us: int) -> ClosingAttempt:
        """ports.closing.PeriodCloser."""
        self._attempts += 1
        self._under_way[name] = ClosingAttempt(name, from_us, to_us, str(self._attempts))
        return self._under_way[name]

    async def give_up_closing(self, attempt: ClosingAttempt) -> None:
        """ports.closing.PeriodCloser."""
        if self._under_way.get(attempt.name) == attempt:
            del self._under_way[attempt.name]

    async def closed_periods(self) -> Sequence[ClosedPeriod]:
        return sorted(self._closed.values(), key=lambda one: one.closing.to_us)

    async def frozen_rows(
        self, closed: ClosedPeriod, printers: Collection[str] | None = None
    ) -> AsyncIterator[FrozenRow]:
        unpacker = Unpacker()
        for part in self._parts[closed.name]:
            for row in unpacker.rows_of(part, printers):
                yield row

    async def first_pages_us(self) -> int | None:
        instants = [one.started_us for segment in self._all() for one in segment.charges]
        instants += [one.closes_us for segment in self._all() for one in segment.postings]
        return min(instants, default=None)

    def _require_open(self, closed: ClosedPeriod, attempt: ClosingAttempt | None) -> None:
        wanted = closed.closing
        for one in self._closed.values():
            known = one.closing
            if one.name == closed.name or (wanted.from_us < known.to_us and known.from_us < wanted.to_us):
                raise NotClosed(f"{closed.name} can't be closed: {one.name} is closed already")
        if attempt is not None and self._under_way.get(closed.name) != attempt:
            raise NotClosed(f"{closed.name} is not closed: what its rows rest on changed meanwhile; close it again")

    async def closed_touched(self) -> Sequence[Touch]:
        known = sorted((number, *key) for key, number in self._touched.items())
        return [Touch(period, printer, number) for number, period, printer in known]

    def _replace_segments(self, replacement: Replacement) -> None:
        known = self._segments.get(replacement.printer, ())
        from_us = replacement.from_anchor_us
        dropped = [one for one in known if from_us is None or one.anchor_us >= from_us]
        for segment in (*dropped, *replacement.segments):
            for at_us in (*(one.started_us for one in segment.charges), *(one.closes_us for one in segment.stretches)):
                self._touch(segment.printer, at_us)
        super()._replace_segments(replacement)

    def _touch(self, printer: str, at_us: int) -> None:
        spans: list[Closing | ClosingAttempt] = [
            *(one.closing for one in self._closed.values()),
            *self._under_way.values(),
        ]
        for name in {one.name for one in spans if one.from_us <= at_us < one.to_us}:
            self._note_touch(name, printer)

    def _note_decision(self, one: Numbered) -> None:
        if one.filing.kind == PAGES_DECIDED and (self._closed or self._under_way):
            self._note_touch("", one.filing.printer)

    def _note_touch(self, period: str, printer: str) -> None:
        self._touches += 1
        self._touched[period, printer] = self._touches

    def _keep(self, closed: ClosedPeriod, packed_rows: PackedRows, touched: int) -> None:
        self._touched = {key: number for key, number in self._touched.items() if number > touched}
        self._closed[closed.name] = closed
        self._parts[closed.name] = list(packed_rows.parts)
        self._under_way.clear()

    def _erase_frozen(self, erasure: Erasure) -> Sequence[str]:
        self._under_way.clear()
        return [period for period in self._closed if self._erase_in(period, erasure)]

    def _erase_in(self, period: str, erasure: Erasure) -> bool:
        lines = [unpacked(part) for part in self._parts[period]]
        clean = [[without_person(line, erasure) for line in part] for part in lines]
        if clean == lines:
            return False
        sha256 = hashlib.sha256(b"".join(line for part in clean for line in part)).hexdigest()
        self._parts[period] = [packed(part) for part in clean]
        self._closed[period] = replace(self._closed[period], erased_sha256=sha256)
        return True
