"""The account of a meter that counts prints alone claims nothing of what it can't see."""

from __future__ import annotations

from pagereeve.domain.accounts.printer_accounts import PrinterAccounts
from pagereeve.domain.accounts.totals import Total
from pagereeve.domain.brackets.prints import PRINTS_ALONE
from pagereeve.reports.totals import accounts_json, accounts_table, totals_table


def account(channel: str, people: int = 12) -> PrinterAccounts:
    line = PrinterAccounts("p", channel, "impressions", 100, 112, 12)
    line.received["people"] = people
    return line


def column(line: PrinterAccounts) -> list[str]:
    shown = accounts_table([line])
    return [str(cell) for one in shown.columns if one.header == "conserved" for cell in one.cells]


def test_it_says_prints_only_where_others_say_conserved() -> None:
    assert column(account("total")) == ["yes"]
    assert column(account(PRINTS_ALONE)) == ["prints only"]
    assert column(account(PRINTS_ALONE, people=11)) == ["NO"]
    caption = str(accounts_table([account("total"), account(PRINTS_ALONE)]).caption)
    assert "how many copies came out nobody knows" in caption
    assert "nobody knows" not in str(accounts_table([account("total")]).caption)


def test_its_json_says_so_beside_conserved() -> None:
    said = {channel: accounts_json(account(channel)) for channel in ("total", PRINTS_ALONE)}
    assert {name: (one["conserved"], one["prints_alone"]) for name, one in said.items()} == {
        "total": (True, False),
        PRINTS_ALONE: (True, True),
    }


def test_it_is_billed_and_what_the_whole_meter_counts_is_not() -> None:
    lines = [Total("anna", name, "impressions") for name in (PRINTS_ALONE, "whole", "mono")]
    assert [one.billed for one in lines] == [True, False, False]
    shown = [str(cell) for cell in totals_table("person", lines).columns[1].cells]
    assert shown == ["prints-alone, impressions", "whole (all functions), impressions", "mono (part), impressions"]
