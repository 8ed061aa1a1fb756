"""The ledger as plain-text double entry, in beancount's syntax: anyone can check it with a program that is not ours.

A meter is an income account (it gives), people and house accounts are expenses (they receive). Each channel and unit
is a commodity of its own, so that nothing is added up that must not be. The file ends with a balance assertion for each
account, so a checker compares its own sums with ours.
"""

from __future__ import annotations

import hashlib
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.decisions import DecisionPosting
from pagereeve.domain.accounts.ledger_rows import LedgerRow, ledger_row
from pagereeve.domain.accounts.membership import StretchIndex
from pagereeve.domain.accounts.periods import local
from pagereeve.domain.facts.in_force import MAINTENANCE, TEST_PAGES
from pagereeve.domain.facts.owners import owner_key
from pagereeve.domain.ledger import Posting, ReleaseKey, Stretch, cost_centre_of, is_house, is_meter
from pagereeve.domain.values.amounts import amount
from pagereeve.domain.values.instants import SECOND_US, to_text
from pagereeve.ports.seal import SealHead
from pagereeve.reports.seal import head_line

OPENED: Final = "1970-01-01"
CLAIM: Final = "claim:"
"""Accounts of what was claimed and is in no account of pages, once a decision settles it."""
RELEASES_NAMED_MAX: Final = 20
_MINUTE_US: Final = 60 * SECOND_US
_SPECIAL: Final = re.compile(r"[^A-Za-z0-9]")
# Beancount's limit for a commodity's name is 24 characters.
_SHORT: Final = re.compile(r"[A-Z][A-Z0-9]{0,11}", re.ASCII)


@dataclass(frozen=True, slots=True)
class Received:
    """What an account received of a meter, where it is not known between which readings; ``legs`` sum to 0."""

    printer: str
    channel: str
    unit: str
    at_us: int
    legs: tuple[tuple[str, int], ...]
    narration: str
    releases: tuple[ReleaseKey, ...] = ()


def ledger_lines(postings: Iterable[Posting], stretches: Iterable[Stretch], zone: ZoneInfo) -> Iterator[str]:
    """The whole ledger in one go, lines without their ends."""
    index, text = StretchIndex(stretches), LedgerText(zone)
    yield from text.beginning()
    for posting in postings:
        yield from text.entry(ledger_row(posting, index.of(posting))).splitlines()
    yield from text.balances()


class LedgerText:
    """Lines: ``beginning``, then an ``entry`` for each row, then ``balances``.

    Dates are of the stretch's closing, or of the instant that is named, in the zone. Memory in proportion to the
    accounts.
    """

    def __init__(self, zone: ZoneInfo) -> None:
        self._zone = zone
        self._opened: set[str] = set()
        self._names: dict[str, str] = {}
        self._sums: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
        self._last_us = 0
        self._commodities: dict[tuple[str, str], str] = {}
        self._minute = -1
        self._date = ""

    def beginning(self, seal: SealHead | None = None) -> Iterator[str]:
        """``seal``: of the journal that the ledger is made from."""
        yield 'option "title" "Pagereeve"'
        if seal is not None:
            yield f"; made from {head_line(seal)}"

    def entry(self, row: LedgerRow) -> str:
        """A transaction, after the directives that open what it names for the first time: lines, each with its end.

        There are many of these: its text is made in one go, and what is the same in the next one is kept.
        """
        printer, run, channel, opens_us, closes_us, legs, at_us, unit, releases, grade, verdict, reasons = row
        if not legs:
            return ""
        commodity, opening = self._commodity_in(channel, unit or "UNKNOWN")
        names, sums, given = self._names, self._sums[commodity], ""
        for account, pages in legs:
            name = names.get(account)
            if name is None:
                opening += "".join([f"{line}\n" for line in self._open(account)])
                name = names[account]
            sums[name] += pages
            given += f"  {name}  {pages} {commodity}\n"
        self._last_us = max(self._last_us, at_us)
        if releases:
            said = _of_releases(len(releases), grade, verdict)
            named = f"  releases: {_quoted(_named(releases))}\n"
        else:
            said, named = "a stretch between two cuts" if unit is None else _unreleased(reasons), ""
        return (
            f"{opening}\n{self._day(at_us)} * {_quoted(said)}\n  printer: {_quoted(printer)}\n  run: {run}\n"
            f'  opens: "{to_text(opens_us)}"\n  closes: "{to_text(closes_us)}"\n{named}{given}'
        )

    def _commodity_in(self, channel: str, unit: str) -> tuple[str, str]:
        """With what opens it where this is the first of it."""
        known = self._commodities.get((channel, unit))
        if known is not None:
            return known, ""
        known = self._commodities[channel, unit] = commodity_of(channel, unit.upper())
        return known, "".join([f"{line}\n" for line in self._commodity(known, channel, unit.upper())])

    def _day(self, at_us: int) -> str:
        """Most are of the minute of the one before; no clock is put forward or back within one."""
        minute = at_us // _MINUTE_US
        if minute != self._minute:
            self._minute, self._date = minute, str(local(at_us, self._zone).date())
        return self._date

    def received(self, one: Received) -> Iterator[str]:
        """A transaction of no stretch that is known."""
        unit = (one.unit or "UNKNOWN").upper()
        commodity = commodity_of(one.channel, unit)
        yield from self._commodity(commodity, one.channel, unit)
        for account, _ in one.legs:
            yield from self._open(account)
        self._last_us = max(self._last_us, one.at_us)
        yield f"\n{local(one.at_us, self._zone).date()} * {_quoted(one.narration)}"
        yield f"  printer: {_quoted(one.printer)}"
        if one.releases:
            yield f"  releases: {_quoted(_named(_keys(one.releases)))}"
        yield from self._legs(one.legs, commodity)

    def decision(self, posting: DecisionPosting) -> Iterator[str]:
        """What a decision moves, and what it settles of a claim: two balanced pairs of accounts."""
        unit = (posting.unit or "UNKNOWN").upper()
        commodity = commodity_of(posting.channel, unit)
        yield from self._commodity(commodity, posting.channel, unit)
        settled = "claim:waived" if posting.decided.said.act == "waive" else "claim:confirmed"
        claims = (("claim:unproven", posting.unproven), (settled, -posting.unproven)) if posting.unproven else ()
        legs = (*posting.legs, *claims)
        for account, _ in legs:
            yield from self._open(account)
        self._last_us = max(self._last_us, posting.at_us)
        said = posting.decided.said
        yield f"\n{local(posting.at_us, self._zone).date()} * {_quoted(f'decision: {said.act}, {said.reason}')}"
        yield f"  decision: {_quoted(posting.decided.origin.id)}"
        yield f"  printer: {_quoted(posting.printer)}"
        if posting.charge is not None:
            yield f"  releases: {_quoted(_named(_keys((posting.charge.release,))))}"
        yield from self._legs(legs, commodity)

    def _commodity(self, commodity: str, channel: str, unit: str) -> Iterator[str]:
        if commodity not in self._opened:
            self._opened.add(commodity)
            yield f"\n{OPENED} commodity {commodity}"
            yield f"  name: {_quoted(f'{unit.lower()} of channel {channel}')}"

    def _legs(self, legs: Iterable[tuple[str, int]], commodity: str) -> Sequence[str]:
        lines = []
        for account, pages in legs:
            name = self._names.get(account) or self._name(account)
            self._sums[commodity][name] += pages
            lines.append(f"  {name}  {pages} {commodity}")
        return lines

    def _open(self, account: str) -> Iterator[str]:
        name = self._name(account)
        if name not in self._opened:
            self._opened.add(name)
            yield f"\n{OPENED} open {name}"
            yield f"  account: {_quoted(account)}"

    def _name(self, account: str) -> str:
        name = self._names.get(account)
        if name is None:
            name = self._names[account] = account_name(account)
        return name

    def balances(self) -> Iterator[str]:
        """A balance holds at the beginning of its day: the day after the last entry."""
        day = local(self._last_us, self._zone).date() + timedelta(days=1)
        yield ""
        sums = [(name, commodity, pages) for commodity, of in self._sums.items() for name, pages in of.items()]
        for name, commodity, pages in sorted(sums):
            yield f"{day} balance {name}  {pages} {commodity}"


def account_name(account: str) -> str:
    """One beancount account for each of ours, and never one for two: what it can't spell is written as hex octets.

    A person has one, in whatever case the name is written.
    """
    _, _, name = account.partition(":")
    if is_house(account):
        return f"Expenses:House:{name.capitalize()}"
    if is_meter(account):
        return f"Income:Meter:M-{_spelt(name)}"
    if account.startswith(CLAIM):
        return f"Equity:Claims:{name.capitalize()}"
    centre = cost_centre_of(account)
    if centre is not None:
        return f"Expenses:Cost-Centres:C-{_spelt(centre)}"
    return f"Expenses:People:P-{_spelt(owner_key(name))}"


def _spelt(name: str) -> str:
    return _SPECIAL.sub(lambda letter: "".join(f"-{octet:02x}" for octet in letter[0].encode()), name)


def commodity_of(channel: str, unit: str) -> str:
    """``TOTAL-IMPRESSIONS``; a channel that beancount can't spell gets a name made of its digest."""
    short = channel.upper()
    if not _SHORT.fullmatch(short) or short.lower() != channel:
        short = f"X{hashlib.sha256(channel.encode()).hexdigest()[:8].upper()}"
    return f"{short}-{unit}"


@lru_cache(maxsize=512)
def _unreleased(reasons: tuple[str, ...]) -> str:
    noted = next((reason for reason in reasons if reason in {MAINTENANCE, TEST_PAGES}), "")
    return noted or "pages that nobody released"


@lru_cache(maxsize=512)
def _of_releases(releases: int, grade: str | None, verdict: str | None) -> str:
    return f"{amount(releases, 'release')}, {grade}, {verdict}"


def _keys(releases: Iterable[ReleaseKey]) -> Sequence[tuple[str, str]]:
    return [(key.source, key.release) for key in releases]


def _named(keys: Sequence[tuple[str, str]]) -> str:
    """Of (source, release)."""
    if len(keys) == 1:
        source, release = keys[0]
        return f"{release} of {source}"
    named = "; ".join([f"{release} of {source}" for source, release in keys[:RELEASES_NAMED_MAX]])
    more = len(keys) - RELEASES_NAMED_MAX
    return f"{named}; and {more} more" if more > 0 else named


def _quoted(text: str) -> str:
    if '"' in text or "\\" in text:
        text = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{text}"'
