"""Entries of a closed period as plain-text double entry."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from zoneinfo import ZoneInfo

from pagereeve.domain.accounts.frozen import FrozenCharge, FrozenDecision, FrozenHouse
from pagereeve.domain.accounts.periods import day_begins_us
from pagereeve.domain.ledger import ReleaseKey, meter_account, person
from pagereeve.queries.closed_ledger import ClosedEntry
from pagereeve.reports.beancount import LedgerText, Received


def closed_entry_lines(text: LedgerText, one: ClosedEntry, zone: ZoneInfo) -> Iterator[str]:
    """Nothing for a release that is charged nothing."""
    match one:
        case FrozenDecision():
            yield from text.decision(one.posting)
        case FrozenHouse():
            at_us = day_begins_us(date.fromisoformat(one.day), zone)
            legs = ((meter_account(one.printer), -one.pages), (one.account, one.pages))
            yield from text.received(
                Received(one.printer, one.channel, one.unit, at_us, legs, "received by a house account on this day")
            )
        case FrozenCharge(charge=charge) if charge.charged:
            unit = "" if charge.unit is None else charge.unit.value
            legs = ((meter_account(charge.printer), -charge.charged), (person(charge.owner), charge.charged))
            said = "not judged" if charge.verdict is None else f"{charge.grade}, {charge.verdict}"
            keys: tuple[ReleaseKey, ...] = (charge.release,)
            narration = f"1 release, {said}"
            yield from text.received(
                Received(charge.printer, charge.channel, unit, charge.started_us, legs, narration, keys)
            )
        case _:
            pass
