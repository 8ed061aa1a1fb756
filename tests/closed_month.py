"""A journal with December 2025, whose accounts meet the meters or do not, and its close."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import replace
from typing import Final

from pagereeve.domain.accounts.frozen import FrozenRow
from pagereeve.domain.accounts.periods import Period, period_of, zone_of
from pagereeve.domain.ledger import STRAY, RowSegment, person
from pagereeve.ports.closing import Closing
from pagereeve.queries.closing import detailed_rows
from pagereeve.store.memory.journal import MemoryJournal
from pagereeve.store.sqlite.journal import SqlJournal
from tests.journal_samples import NOON_US, SECOND_US, charge, finding, key, posting, read, stretch

MONTH: Final = "2025-12"
AT_US: Final = NOON_US - 10 * 86_400 * SECOND_US
HOSTILE: Final = "<script>alert(1)</script>"


def month() -> Period:
    return period_of(MONTH, zone_of("UTC"))


async def december(printer: str = "hall", *, stray: int = 0, owner: str = HOSTILE) -> MemoryJournal:
    """A release of 3 pages, all charged; ``stray`` pages more in a house account than the meter counted."""
    kept = MemoryJournal()
    await fill_december(kept, printer, stray, owner)
    return kept


async def fill_december(
    kept: MemoryJournal | SqlJournal, printer: str = "hall", stray: int = 0, owner: str = HOSTILE
) -> None:
    """What ``december`` holds, in a journal that is there."""
    await kept.append(read(103, printer, at_us=AT_US + 30 * SECOND_US))
    opens_us, closes_us = AT_US, AT_US + 30 * SECOND_US
    legs = ((f"meter:{printer}", -3), (person(owner), 3), *(((STRAY, stray),) if stray else ()))
    segment = RowSegment(
        printer=printer,
        anchor_us=opens_us,
        resume_point=None,
        stretches=(stretch(printer, opens_us, closes_us, key(1)),),
        charges=(replace(charge(printer, key(1), opens_us), owner=owner),),
        postings=(replace(posting(printer, closes_us), legs=legs),),
        findings=(finding(printer, 3, key(1), since_us=opens_us),),
    )
    await kept.replace(printer, None, [segment])


async def fill_november(kept: SqlJournal, printer: str = "annex") -> None:
    """A release of 3 pages, all charged, with nothing in the way of closing it: the meter was read in December too."""
    at_us = AT_US - 30 * 86_400 * SECOND_US
    closes_us = at_us + 30 * SECOND_US
    await kept.append(read(103, printer, at_us=closes_us))
    await kept.append(read(103, printer, at_us=AT_US))
    agreed = replace(stretch(printer, at_us, closes_us, key(2)), reasons=())
    legs = ((f"meter:{printer}", -3), (person("user-anise"), 3))
    segment = RowSegment(
        printer=printer,
        anchor_us=at_us,
        resume_point=None,
        stretches=(agreed,),
        charges=(replace(charge(printer, key(2), at_us), owner="user-anise"),),
        postings=(replace(posting(printer, closes_us), legs=legs),),
        findings=(),
    )
    await kept.replace(printer, None, [segment])


async def close_december(kept: MemoryJournal | SqlJournal, by: str = "bursar", name: str = MONTH) -> None:
    period = month()
    closing = Closing(
        name, "UTC", "2026a", period.from_us, period.to_us, NOON_US - SECOND_US, by, "a jam", "j-1", 3, "ab", 7
    )
    async with kept.snapshot() as held:
        rows = [row async for row in detailed_rows(held, period)]

    async def given() -> AsyncIterator[FrozenRow]:
        for row in rows:
            yield row

    await kept.close_period(closing, given())
