"""The plain-text ledger is, to the byte, what its rows say one by one: of any period, of all printers and of each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

import pytest

from pagereeve.domain.accounts.ledger_rows import LedgerRow
from pagereeve.domain.accounts.periods import Period, local
from pagereeve.domain.values.instants import to_text
from pagereeve.queries.ledger import rows_of
from pagereeve.reports.beancount import LedgerText, account_name, commodity_of
from pagereeve.store.memory.journal import MemoryJournal
from tests.integration.test_reads_contract import Both, fill
from tests.unit.queries.test_queries import ALWAYS, PERIODS

SEEDS = (3, 61, 62)
OPENED = "1970-01-01"


def plain(rows: Sequence[LedgerRow], period: Period) -> Iterator[str]:
    """One line after the other, with nothing kept but what was opened; names that need no escape."""
    opened: set[str] = set()
    sums: Counter[tuple[str, str]] = Counter()
    for row in (row for row in rows if row.legs):
        unit = row.unit or "unknown"
        commodity = commodity_of(row.channel, unit.upper())
        if commodity not in opened:
            yield f'\n{OPENED} commodity {commodity}\n  name: "{unit} of channel {row.channel}"\n'
        opened.add(commodity)
        for account, pages in row.legs:
            name = account_name(account)
            if name not in opened:
                yield f'\n{OPENED} open {name}\n  account: "{account}"\n'
            opened.add(name)
            sums[name, commodity] += pages
        yield f'\n{local(row.at_us, period.zone).date()} * "{said_of(row)}"\n'
        yield f'  printer: "{row.printer}"\n  run: {row.run}\n'
        yield f'  opens: "{to_text(row.opens_us)}"\n  closes: "{to_text(row.closes_us)}"\n'
        if row.releases:
            yield f'  releases: "{"; ".join(f"{release} of {source}" for source, release in row.releases)}"\n'
        for account, pages in row.legs:
            yield f"  {account_name(account)}  {pages} {commodity}\n"
    yield from (f"{name}  {pages} {commodity}\n" for (name, commodity), pages in sorted(sums.items()))


def said_of(row: LedgerRow) -> str:
    if row.unit is None:
        return "a stretch between two cuts"
    if not row.releases:
        return next((one for one in row.reasons if one in {"maintenance", "test-pages"}), "pages that nobody released")
    many = len(row.releases)
    return f"{many} release{'s' * (many != 1)}, {row.grade}, {row.verdict}"


@pytest.mark.parametrize("printer", [None, *(f"printer-{seed}" for seed in SEEDS)])
async def test_the_text_is_what_its_rows_say(store: Both, printer: str | None) -> None:
    memory = MemoryJournal()
    await fill(store, SEEDS)
    await fill(memory, SEEDS)
    said: Counter[str] = Counter()
    for period in (ALWAYS, *PERIODS):
        text = LedgerText(period.zone)
        made = "".join([text.entry(row) async for page in rows_of(store, period, printer) for row in page])
        balances = [line.partition(" balance ")[2] + "\n" for line in text.balances() if line]
        known = [row async for page in rows_of(memory, period, printer) for row in page]
        assert made + "".join(balances) == "".join(plain(known, period))
        said.update(said_of(row) for row in known)
    assert len(said) > 1
    assert printer is not None or said["pages that nobody released"]
