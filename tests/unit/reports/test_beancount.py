"""The plain-text ledger passes an independent checker, and its balances are ours."""

from __future__ import annotations

from collections import defaultdict
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from beancount import loader
from beancount.core import data, inventory, realization
from hypothesis import given, settings
from hypothesis import strategies as st

from pagereeve.domain.accounts.membership import StretchIndex
from pagereeve.domain.facts.reading import Unit
from pagereeve.domain.ledger import Posting, ReleaseKey, Stretch
from pagereeve.domain.projection.projector import Ledger, replay
from pagereeve.reports.beancount import account_name, commodity_of, ledger_lines
from tests.histories import ONE_RELEASE, at
from tests.histories import PRINTER as LIBRARY
from tests.property.days import PRINTER, make_day

UTC = ZoneInfo("UTC")


def text_of(ledger: Ledger) -> str:
    postings = sorted(ledger.postings, key=lambda one: (one.closes_us, one.printer, one.run, one.channel))
    return "\n".join(ledger_lines(postings, ledger.stretches, UTC)) + "\n"


def checked(text: str) -> list[Any]:
    """The entries as beancount reads them; it says nothing against any of them."""
    entries, errors, _ = loader.load_string(text)
    assert errors == []
    return list(entries)


def balances(entries: list[Any]) -> dict[str, dict[str, int]]:
    real = realization.realize(entries)
    sums: dict[str, dict[str, int]] = {}
    for account in realization.iter_children(real, leaf_only=True):
        held: inventory.Inventory = account.balance
        sums[account.account] = {
            position.units.currency: int(position.units.number) for position in held.get_positions()
        }
    return sums


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32))
def test_beancount_accepts_any_day_and_comes_to_the_same_balances(seed: int) -> None:
    day = make_day(seed)
    ledger = replay(PRINTER, day.facts, day.open_run)
    ours: dict[str, int] = defaultdict(int)
    for posting in ledger.postings:
        for account, pages in posting.legs:
            ours[account_name(account)] += pages
    theirs = {name: held.get("TOTAL-IMPRESSIONS", 0) for name, held in balances(checked(text_of(ledger))).items()}
    assert {name: pages for name, pages in theirs.items() if pages} == {
        name: pages for name, pages in ours.items() if pages
    }
    assert sum(ours.values()) == 0


def test_a_transaction_names_the_stretch_and_its_releases() -> None:
    entries = checked(text_of(replay(LIBRARY, ONE_RELEASE)))
    (entry,) = data.filter_txns(entries)
    assert entry.narration == "1 release, tight, agrees"
    assert entry.meta["printer"] == LIBRARY
    assert entry.meta["releases"] == "r-1001 of /release-server"
    assert {(leg.account, int(leg.units.number), leg.units.currency) for leg in entry.postings} == {
        ("Income:Meter:M-library-2dground", -5, "TOTAL-IMPRESSIONS"),
        ("Expenses:People:P-anise", 5, "TOTAL-IMPRESSIONS"),
    }
    opened = [entry for entry in entries if isinstance(entry, data.Open)]
    assert {entry.meta["account"] for entry in opened} == {"person:anise", f"meter:{LIBRARY}"}


def test_a_ledger_whose_figures_were_changed_is_not_accepted() -> None:
    text = text_of(replay(LIBRARY, ONE_RELEASE)).replace("P-anise  5", "P-anise  4", 1)
    _, errors, _ = loader.load_string(text)
    assert errors


HOSTILE = st.text(st.characters(codec="utf-8", min_codepoint=0x20), min_size=1, max_size=30)


@settings(max_examples=40, deadline=None)
@given(HOSTILE, HOSTILE, HOSTILE, HOSTILE)
def test_any_names_are_spelt_so_that_beancount_reads_them(printer: str, owner: str, channel: str, release: str) -> None:
    posting = Posting(printer, 1, channel, at(0), at(9), ((f"meter:{printer}", -5), (f"person:{owner}", 5)))
    stretch = Stretch(
        printer, 1, channel, Unit.SHEETS, at(0), at(9), 0, 5, 5, (ReleaseKey("/s", release),), None, None, None
    )
    entries = checked("\n".join(ledger_lines([posting], [stretch], UTC)) + "\n")
    opened = [entry for entry in entries if isinstance(entry, data.Open)]
    assert {entry.meta["account"] for entry in opened} == {f"meter:{printer}", f"person:{owner}"}


@given(HOSTILE, HOSTILE)
def test_two_accounts_never_become_one(left: str, right: str) -> None:
    assert (account_name(f"person:{left}") == account_name(f"person:{right}")) == (left == right)


@pytest.mark.parametrize(
    ("channel", "unit", "name"),
    [("total", "IMPRESSIONS", "TOTAL-IMPRESSIONS"), ("sheets", "SHEETS", "SHEETS-SHEETS")],
)
def test_each_channel_and_unit_is_a_commodity_of_its_own(channel: str, unit: str, name: str) -> None:
    assert commodity_of(channel, unit) == name


def test_a_posting_finds_its_stretch_by_the_cuts_and_the_count() -> None:
    ledger = replay(LIBRARY, ONE_RELEASE)
    index = StretchIndex(ledger.stretches)
    assert [index.of(posting) for posting in ledger.postings] == [one for one in ledger.stretches if one.counted]


def test_postings_without_legs_make_no_entry_and_an_empty_ledger_is_fine() -> None:
    assert list(data.filter_txns(checked("\n".join(ledger_lines([Posting("p", 1, "total", 0, 1, ())], [], UTC))))) == []
