"""Marks of maintenance as the journal has them: read once a note came, and now and then."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import dataclass, field

import pytest

from pagereeve.domain.facts.facts import Note, Origin, PrinterNoted
from pagereeve.domain.facts.in_force import MAINTENANCE_LONGEST_US
from pagereeve.domain.values.instants import SECOND_US
from pagereeve.engine.alerts.maintenance import READ_EVERY_US, MaintenanceMarks
from pagereeve.ports.journal import JournalUnavailable
from tests.unit.engine.virtual import VirtualClock, passing

HOUR_US = 3_600 * SECOND_US


def noted(at_us: int, note: Note, printer: str = "p") -> PrinterNoted:
    return PrinterNoted(printer, Origin("urn:invented", f"{printer}-{at_us}", at_us, at_us), note)


@dataclass
class Notes:
    notes: list[PrinterNoted] = field(default_factory=list)
    reads: int = 0
    is_away: bool = False

    async def printer_notes(self) -> AsyncIterator[PrinterNoted]:
        self.reads += 1
        for one in self.notes:
            yield one
        if self.is_away:
            raise JournalUnavailable("the database does not answer", "away")


def test_a_printer_is_worked_on_from_one_mark_to_the_other_and_for_a_day_at_most() -> None:
    async def day() -> None:
        clock = VirtualClock()
        now_us = clock.now_us()
        begun_us, ended_us = now_us - 2 * HOUR_US, now_us - HOUR_US
        notes = Notes(
            [
                *(noted(begun_us, "maintenance-begun"), noted(begun_us + 1, "test-pages")),
                noted(ended_us, "maintenance-ended"),
                noted(ended_us, "maintenance-begun", "q"),
                noted(now_us - MAINTENANCE_LONGEST_US, "maintenance-begun", "forgotten"),
            ]
        )
        marks = MaintenanceMarks(notes, clock)
        assert not marks.holds("q", now_us)
        await marks.refresh()
        held = {at_us: marks.holds("p", at_us) for at_us in (begun_us - 1, begun_us, ended_us - 1, ended_us, now_us)}
        assert list(held.values()) == [False, True, True, False, False]
        assert (marks.holds("q", now_us), marks.holds("forgotten", now_us), marks.holds("r", now_us)) == (
            True,
            False,
            False,
        )
        assert marks.holds("q", ended_us + MAINTENANCE_LONGEST_US - 1)
        assert not marks.holds("q", ended_us + MAINTENANCE_LONGEST_US)

    passing(day())


def test_notes_are_read_when_one_came_and_each_minute_and_again_where_the_journal_was_away() -> None:
    async def day() -> None:
        clock, notes = VirtualClock(), Notes()
        marks = MaintenanceMarks(notes, clock)
        for _ in range(3):
            await marks.refresh()
        assert notes.reads == 1
        notes.notes.append(noted(clock.now_us(), "maintenance-begun"))
        marks.changed()
        notes.is_away = True
        with pytest.raises(JournalUnavailable):
            await marks.refresh()
        assert not marks.holds("p", clock.now_us())
        notes.is_away = False
        await marks.refresh()
        await marks.refresh()
        assert marks.holds("p", clock.now_us())
        assert notes.reads == 3
        await asyncio.sleep(READ_EVERY_US / SECOND_US)
        await marks.refresh()
        assert notes.reads == 4

    passing(day())
