"""Of a period's rows those of which pages are lost, and what is open of each printer: alike in memory and in the
database, and what goes through all rows finds.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest

from pagereeve.domain.accounts.ledger_rows import ledger_row
from pagereeve.domain.accounts.period_sums import sums_of
from pagereeve.domain.ledger import RowSegment, is_house
from pagereeve.ports.findings import OpenFindings
from pagereeve.queries.ledger import house_entries, rows_of
from tests.integration.test_reads_contract import Both, as_sets, fill
from tests.unit.queries.test_queries import FINDINGS, PERIODS


@pytest.mark.parametrize("seeds", [(1, 2, 3), (21, 22), ()])
async def test_what_is_lost_in_a_period_is_what_all_its_rows_say(store: Both, seeds: tuple[int, ...]) -> None:
    known, lost = await fill(store, seeds), 0
    for period in PERIODS:
        found = Counter([one async for one in house_entries(store, period)])
        lost += len(found)
        every = [row async for page in rows_of(store, period) for row in page]
        assert Counter(ledger_row(one.posting, one.stretch, one.at_us) for one in found.elements()) == Counter(
            row for row in every if any(is_house(account) for account, _ in row.legs)
        )
        doubtful = [one async for one in store.doubtful_charges(period.from_us, period.to_us)]
        charges = [one async for one in store.charges(period.from_us, period.to_us)]
        assert Counter(doubtful) == Counter(one for one in charges if one.unproven or one.verdict is None)
        for seed in (*seeds, 99):
            name = f"printer-{seed}"
            expected = sums_of([one for one in known if one.printer == name], period.from_us, period.to_us)
            assert as_sets(await store.period_sums(period.from_us, period.to_us, name)) == as_sets(expected)
    assert (lost > 0) is bool(seeds)


async def test_open_findings_are_counted_by_printer_and_severity(store: Both) -> None:
    for printer in ("b", "a", ""):
        findings = tuple(replace(one, printer=printer, id=f"{printer}{one.id}") for one in FINDINGS)
        await store.replace(printer, None, [RowSegment(printer, 0, None, findings=findings)])
    expected = Counter((one.printer, one.severity) for one in await store.findings(only_open=True))
    assert len(expected) > 3
    assert await store.open_findings() == [OpenFindings(*key, expected[key]) for key in sorted(expected)]
