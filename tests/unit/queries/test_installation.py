"""What the journal shows of printers without a reading: the slow, the silent, and those that merely lost a datagram."""

from __future__ import annotations

import pytest

from pagereeve.domain.facts.facts import ReadFailed
from pagereeve.domain.facts.reading import Silence, SilenceReason
from pagereeve.queries.installation import SilentPrinter, journal_state
from pagereeve.store.memory.journal import MemoryJournal
from tests.journal_samples import NOON_US, SECOND_US, read

SINCE_US = NOON_US + 60 * SECOND_US


async def seen(reason: SilenceReason, tries: int, *, daemon_runs: bool = True) -> SilentPrinter:
    """A printer that was read at noon, and then failed."""
    journal = MemoryJournal()
    await journal.observe(
        "attic", [read(100, "attic")], ReadFailed("attic", Silence(SINCE_US, SINCE_US, tries, reason))
    )
    (quiet,) = (await journal_state(journal, ["attic"], now_us=0, daemon_runs=daemon_runs)).quiet
    return quiet


@pytest.mark.parametrize(("reason", "late"), [(SilenceReason.ASLEEP, False), (SilenceReason.LATE, True)])
async def test_several_failed_reads_are_said_with_their_beginning(reason: SilenceReason, late: bool) -> None:
    assert await seen(reason, 2) == SilentPrinter("attic", NOON_US + 1_000, reason, SINCE_US, late=late)


async def test_one_failed_read_is_none_yet_and_nobody_tries_without_a_daemon() -> None:
    assert (await seen(SilenceReason.ASLEEP, 1)).failing_us is None
    assert (await seen(SilenceReason.ASLEEP, 9, daemon_runs=False)).failing_us is None
